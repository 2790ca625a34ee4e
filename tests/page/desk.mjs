// Works with the page of `unlade desk` as a person does, in a browser (headless Chromium), and
// tells what it is to be faulted for, as JSON on standard output. It finds everything by role and
// accessible name; tests/it/linux/desk_browser.rs knows what must come of it.
//
//   node desk.mjs FOLDER CHROMIUM
//
// FOLDER/desk.json lists what is done: {does, url, card, to: [folder], says, sample, ...}. Pictures
// for people are left in FOLDER. `pace N`, a line on standard output, asks for a card that is read
// at N MB/s from now on (0: as fast as it can be); what is to be faulted is the last line.

import { readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { join } from "node:path";
import puppeteer from "puppeteer-core";

const [folder, chromium] = process.argv.slice(2);
const tasks = JSON.parse(readFileSync(join(folder, "desk.json"), "utf8"));
const axeSource = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"),
  "utf8");
const PATIENCE_MS = 30_000;
const COPY_MS = 180_000;
// WCAG 2.2, 1.4.10 (Reflow): no sideways scroll at 320 CSS pixels.
const WIDTHS = [320, 1280, 1920];
const SIGHTS = [[320, "dark"], [1280, "light"], [1280, "dark"], [320, "light"]];
// Unicode's bidirectional controls (UAX 9), and controls other than line ends.
const RAW =
  /[\u0000-\u0008\u000b-\u001f\u007f-\u009f\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]/;

const faults = [];
const browser = await puppeteer.launch({
  executablePath: chromium,
  headless: true,
  // Root, as in CI, has no sandbox in Chromium; the pages are the test's own. No name is looked up.
  args: ["--no-sandbox", "--disable-dev-shm-usage",
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"],
});

// ---- how one looks and works ------------------------------------------------------------------

// A copy waits for the browser, not the browser for a copy, however busy the computer.
const SLOW = 0.2;
const pace = (mbps) => console.log(`pace ${mbps}`);
const wait = (ms) => new Promise((done) => { setTimeout(done, ms); });

async function open(task, context) {
  const tab = await context.newPage();
  const fault = (check, detail) => faults.push({ does: task.does, check,
    detail: String(detail).slice(0, 600) });
  const own = new URL(task.url).origin;
  tab.on("request", (r) => r.url().startsWith(own) || fault("request", r.url().slice(0, 80)));
  // A desk that was ended answers nothing: that is what the page is to say.
  tab.on("console", (m) => /ERR_CONNECTION|ERR_INCOMPLETE|ERR_EMPTY/.test(m.text()) ||
    /status of (409|422)/.test(m.text()) || fault("console", m.text()));
  tab.on("pageerror", (e) => fault("script", e));
  tab.on("dialog", (d) => { fault("script", `a dialog: ${d.message()}`); d.dismiss(); });
  tab.setDefaultTimeout(PATIENCE_MS);
  await tab.setViewport({ width: 1280, height: 900 });
  await tab.goto(task.url, { waitUntil: "load" });
  if (tab.url() !== `${own}/`) fault("address", `the key is still in it: ${tab.url()}`);
  return { tab, fault, task };
}

// A page behind others is not drawn, and so found by nobody.
async function role({ tab }, name, kind) {
  await tab.bringToFront();
  return tab.waitForSelector(`aria/${name}[role="${kind}"]`);
}

async function press(page, name, kind = "button") {
  await (await role(page, name, kind)).click();
}

// A view may wait for a copy or a check to end.
const shows = ({ tab }, name) =>
  tab.waitForFunction((name) => document.getElementById("view").dataset.view === name,
    { polling: 100, timeout: COPY_MS }, name);

const textOf = ({ tab }) => tab.evaluate(() => document.getElementById("view").innerText);

async function heading(page) {
  return page.tab.$eval("h1", (h) => h.textContent);
}

// Adds a folder by the button in a group, as one who types does.
async function add(page, group, path) {
  const { tab } = page;
  const within = await role(page, group, "group");
  await (await within.waitForSelector('aria/Add a folder[role="button"]')).click();
  await role(page, "Choose a folder", "dialog");
  await (await role(page, "Path", "textbox")).type(path);
  await tab.keyboard.press("Enter");
  await tab.waitForFunction(() => !document.querySelector("dialog[open]"));
  await tab.waitForFunction((path) => [...document.querySelectorAll("#view input")]
    .some((box) => box.value === path && box.checked), {}, path);
}

async function addAll(page) {
  await add(page, "Cards", page.task.card);
  for (const to of page.task.to) await add(page, "Drives", to);
}

// Says by ticking that the drives are two, where it is asked.
async function separate(page) {
  if (!page.task.separate) return;
  const box = await role(page, "Two folders are on separate drives", "checkbox");
  await box.click();
  await page.tab.waitForFunction(() => document.getElementById("separate")?.checked);
}

// Holds what is shown to what is asked of every view and state.
async function judge(page, name) {
  const { tab, fault, task } = page;
  for (const width of WIDTHS) {
    await tab.setViewport({ width, height: 900 });
    const [needs, has] = await tab.evaluate(() => {
      const root = document.scrollingElement;
      return [root.scrollWidth, root.clientWidth];
    });
    if (needs > has) fault("sideways", `${name}: ${needs} px wide at ${width}`);
  }
  await tab.evaluate(axeSource);
  for (const [width, scheme] of task.sample ? SIGHTS.slice(0, 2) : SIGHTS) {
    await tab.setViewport({ width, height: 900 });
    await tab.emulateMediaFeatures([{ name: "prefers-color-scheme", value: scheme },
      { name: "prefers-reduced-motion", value: "reduce" }]);
    const found = await tab.evaluate(async () => {
      const told = await globalThis.axe.run(document, { preload: false,
        resultTypes: ["violations"] });
      return told.violations.map((v) =>
        `${v.id}: ${v.nodes.slice(0, 3).map((n) => n.html).join(" | ")}`);
    });
    for (const v of found) fault("axe", `${name}, ${width} px, ${scheme}: ${v}`);
    await tab.screenshot({ path: join(folder, `${task.does}-${name}.${width}-${scheme}.png`),
      fullPage: true });
  }
  await tab.emulateMediaFeatures([]);
  await tab.setViewport({ width: 1280, height: 900 });
  const seen = await tab.evaluate(() => ({ title: document.title,
    text: document.body.innerText, names: [...document.querySelectorAll("[aria-label]")]
      .map((e) => e.getAttribute("aria-label")).join(" ") }));
  if (seen.title !== "unlade") fault("title", seen.title);
  if (RAW.test(seen.text) || RAW.test(seen.names)) fault("raw", `${name}: a control character`);
}

// Stops the copy, as one who changed their mind.
async function stop(page) {
  await press(page, "Stop");
  const dialog = await role(page, "Stop the copy?", "dialog");
  await (await dialog.waitForSelector('aria/Stop[role="button"]')).click();
}

// The answer, and that it is the one that is told aloud at once.
async function answer(page, begins) {
  await shows(page, "answer");
  const first = await heading(page);
  if (!first.startsWith(begins)) page.fault("answer", await textOf(page));
  // A page that was just loaded is told with the first frame.
  await page.tab.waitForFunction(() => document.querySelector("#told")?.textContent,
    { timeout: 5000 }).catch(() => {});
  const told = await page.tab.$eval("#told", (e) => [e.textContent, e.getAttribute("role")]);
  if (!told[0].startsWith(begins) || told[1] !== "alert") page.fault("told", told.join(", "));
  for (const text of page.task.says ?? []) {
    const shown = await textOf(page);
    if (!shown.includes(text)) page.fault("says", `${text} in ${shown}`);
  }
}

// What was copied is checked again and asked about; ends where it began.
async function shoots(page) {
  const text = await textOf(page);
  if (!text.includes("Kite festival") || !text.includes("NOT SEEN")) page.fault("shoots", text);
  for (const [button, begins] of [["Check again", "INTACT"], ["May I format?", "PROVEN"]]) {
    await Promise.all([page.tab.waitForNavigation(), press(page, button)]);
    await shows(page, "answer");
    const first = await heading(page);
    if (!first.startsWith(begins)) page.fault("answer", `${button}: ${first}`);
    await judge(page, begins === "INTACT" ? "checked" : "asked");
    if (begins === "PROVEN") continue;
    await Promise.all([page.tab.waitForNavigation(), press(page, "Back to the shoots", "link")]);
  }
  await press(page, "Done");
  await shows(page, "now");
}

// Something else is reckoned, with a mistake first.
async function weigh(page) {
  const plots = await page.tab.$$eval("figure svg[role=img]", (all) => all.length);
  if (plots !== 3) page.fault("weigh", `${plots} plots`);
  for (const [typed, shown] of [["400", "400Mb/s for megabits"], ["400Mb/s", "= 50.0 MB/s"]]) {
    const rate = await role(page, "Bit rate", "textbox");
    await rate.click({ clickCount: 3 });
    await rate.type(typed);
    await Promise.all([page.tab.waitForNavigation(), page.tab.keyboard.press("Enter")]);
    const text = await textOf(page);
    if (!text.includes(shown)) page.fault("weigh", `${shown} in ${text}`);
  }
}

const goes = (page, name, kind) =>
  Promise.all([page.tab.waitForNavigation(), press(page, name, kind)]);

// A card is added to the kit, with a mistake first, and removed again.
async function kit(page) {
  await goes(page, "Add a card", "link");
  await (await role(page, "Name", "textbox")).type("A1");
  await (await role(page, "Label", "textbox")).type("fast");
  await goes(page, "Save", "button");
  const wrong = await page.tab.$eval("#reads-wrong", (e) => e.textContent);
  if (!wrong.includes("must be a number of MB/s")) page.fault("kit", wrong);
  await judge(page, "kit-mistake");
  const label = await role(page, "Label", "textbox");
  await label.click({ clickCount: 3 });
  await label.type("170");
  await goes(page, "Save", "button");
  for (const match of ["A1", "ZOOM*"]) {
    await goes(page, "Add a rule", "link");
    await (await role(page, "Match", "textbox")).type(match);
    await goes(page, "Save", "button");
  }
  await goes(page, "Up: rule 2", "button");
  const rules = await page.tab.$$eval("[id^=rule-] div p", (all) => all.map((e) => e.textContent));
  if (rules.join(", ") !== "label ZOOM*, card A1") page.fault("kit", `rules: ${rules.join(", ")}`);
  await judge(page, "kit-one");
  for (const name of ["Rule 2", "A1"]) {
    await goes(page, name, "link");
    await goes(page, "Remove", "link");
    await goes(page, "Remove", "button");
  }
  if (await page.tab.$('aria/A1[role="link"]')) page.fault("kit", "it is there still");
}

// ---- what is done -----------------------------------------------------------------------------

const does = {
  // A whole copy, every view and state on the way.
  async whole(task, context) {
    const page = await open(task, context);
    await judge(page, "empty");
    await press(page, "Copy");
    await page.tab.waitForFunction(() =>
      document.getElementById("copy-why").textContent.includes("Tick a card"));
    await addAll(page);
    await separate(page);
    await page.tab.click("#names summary");
    await (await role(page, "Shoot", "textbox")).type("Kite festival");
    await (await role(page, "Cards of the shoot", "textbox")).type("2");
    await page.tab.waitForFunction(() =>
      document.getElementById("plan").textContent.includes("to copy"));
    await judge(page, "now");
    await press(page, "Copy");
    await shows(page, "running");
    for (const name of [task.label, ...task.to]) await role(page, name, "progressbar");
    await page.tab.waitForSelector("#view figure svg");
    await judge(page, "running");
    await press(page, "Stop");
    await role(page, "Stop the copy?", "dialog");
    await judge(page, "stop");
    await press(page, "Keep copying");
    pace(0);
    await answer(page, "PROVEN");
    await judge(page, "answer");
    const [opened] = await Promise.all([page.tab.waitForNavigation(), press(page, "Record",
      "link")]);
    if (opened.status() !== 200 || !(await heading(page)).startsWith("Safe")) {
      page.fault("record", `${opened.status()} ${await heading(page)}`);
    }
    const ink = await page.tab.$eval(".verdict", (e) => getComputedStyle(e).borderLeftStyle);
    if (ink !== "solid") page.fault("record", "it has not its style");
    await page.tab.goBack();
    await answer(page, "PROVEN");
    await press(page, "Next card");
    await shows(page, "now");
    for (const name of ["Shoots", "Kit", "Weigh", "Now"]) {
      await Promise.all([page.tab.waitForNavigation(), press(page, name, "link")]);
      if (await heading(page) !== name) page.fault("view", name);
      if (name !== "Now") await judge(page, name.toLowerCase());
      if (name === "Shoots") await shoots(page);
      if (name === "Kit") await kit(page);
      if (name === "Weigh") await weigh(page);
    }
  },

  // The same by the keyboard alone.
  async keyboard(task, context) {
    pace(0);
    const page = await open(task, context);
    const { tab } = page;
    // Goes on with Tab until this has the focus.
    const reach = async (name, near = "") => {
      for (let n = 0; n < 60; n += 1) {
        await tab.keyboard.press("Tab");
        const at = await tab.evaluate(() => {
          const at = document.activeElement;
          const label = at.labels?.[0]?.textContent ?? at.textContent;
          return [label.trim(), at.closest("fieldset")?.querySelector("legend").textContent ?? ""];
        });
        if (at[0] === name && at[1].includes(near)) return;
      }
      page.fault("keyboard", `${name} is not reached`);
    };
    for (const [group, path] of [["Cards", task.card], ...task.to.map((to) => ["Drives", to])]) {
      await reach("Add a folder", group);
      await tab.keyboard.press("Enter");
      await tab.waitForSelector("dialog[open] #folders button");
      await tab.keyboard.type(path.slice(0, -1));
      await tab.waitForFunction((path) => [...document.querySelectorAll("#folders bdi")]
        .some((e) => path.endsWith(`/${e.textContent}`)), {}, path);
      await reach(path.split("/").pop());
      await tab.keyboard.press("Space");
      await tab.waitForFunction((path) =>
        document.getElementById("path").value === `${path}/`, {}, path);
      await tab.keyboard.press("Enter");
      await tab.waitForFunction(() => !document.querySelector("dialog[open]"));
      const back = await tab.evaluate(() => document.activeElement.textContent);
      if (back !== "Add a folder") page.fault("keyboard", `the focus is at ${back}`);
      await tab.waitForFunction((path) => [...document.querySelectorAll("#view input")]
        .some((box) => box.value === path), {}, path);
    }
    await reach(task.card, "Cards");
    await tab.keyboard.press("Space");
    await tab.keyboard.press("Space");
    await reach("Copy");
    await tab.keyboard.press("Enter");
    await answer(page, "PROVEN");
    await reach("Next card");
    await tab.keyboard.press("Enter");
    await shows(page, "now");
    const on = async (name, typed) => {
      await reach(name);
      if (typed) return tab.keyboard.type(typed);
      return Promise.all([tab.waitForNavigation(), tab.keyboard.press("Enter")]);
    };
    await on("Shoots");
    await on("Check again");
    await shows(page, "answer");
    if (await heading(page) !== "INTACT") page.fault("keyboard", await heading(page));
    await reach("Done");
    await tab.keyboard.press("Enter");
    await shows(page, "now");
    await on("Kit");
    await on("Add a card");
    await on("Name", "A9");
    await on("Save");
    await on("A9");
    await on("Weigh");
  },

  // What can't be copied is said before a byte is written, and after it was asked for.
  async refused(task, context) {
    const page = await open(task, context);
    await addAll(page);
    await page.tab.waitForFunction((text) =>
      document.getElementById("plan").textContent.includes(text), {}, task.before);
    await judge(page, "plan");
    await press(page, "Copy");
    await answer(page, "NOT PROVEN");
    await judge(page, "answer");
    if (await page.tab.$('aria/Record[role="link"]')) page.fault("record", "there is none");
    await press(page, "Next card");
    await shows(page, "now");
  },

  // Stopped, which asks once; then gone on with to the end.
  async stopped(task, context) {
    const page = await open(task, context);
    await addAll(page);
    await press(page, "Copy");
    await shows(page, "running");
    await stop(page);
    await answer(page, "NOT PROVEN");
    await judge(page, "answer");
    await press(page, "Next card");
    await shows(page, "now");
    await role(page, "Go on", "button");
    await judge(page, "cut-short");
    pace(0);
    await press(page, "Go on");
    await shows(page, "answer");
    await answer(page, "PROVEN");
  },

  // A check while it runs, and how it is stopped.
  async checking(task, context) {
    const page = await open(task, context);
    await goes(page, "Shoots", "link");
    await goes(page, "Check again", "button");
    await shows(page, "running");
    await page.tab.waitForFunction(() => / of .* read, /.test(document.body.innerText));
    await judge(page, "checking");
    await press(page, "Stop");
    const dialog = await role(page, "Stop reading?", "dialog");
    await judge(page, "stop");
    await (await dialog.waitForSelector('aria/Stop[role="button"]')).click();
    await answer(page, "STOPPED");
  },

  // Two browsers see one copy; either of them stops it, and both are told.
  async two(task, context) {
    const first = await open(task, context);
    const second = await open(task, await browser.createBrowserContext());
    await addAll(first);
    const added = 'aria/' + task.card + '[role="checkbox"]';
    await second.tab.waitForSelector(added);
    await press(first, "Copy");
    await Promise.all([shows(first, "running"), shows(second, "running")]);
    await first.tab.close();
    await stop(second);
    const third = await open(task, context);
    await Promise.all([answer(second, "NOT PROVEN"), answer(third, "NOT PROVEN")]);
    await press(third, "Copy again");
    await Promise.all([shows(second, "running"), shows(third, "running")]);
    pace(0);
    await Promise.all([answer(second, "PROVEN"), answer(third, "PROVEN")]);
    await press(third, "Next card");
    await shows(second, "now");
  },

  // Many pages of one browser, loaded again and again while a copy runs.
  async many(task, context) {
    const page = await open(task, context);
    await addAll(page);
    const others = [];
    for (let n = 0; n < task.pages; n += 1) others.push(await open(task, context));
    pace(SLOW);
    await press(page, "Copy");
    await shows(page, "running");
    for (let n = 0; n < task.reloads; n += 1) {
      await others[n % others.length].tab.reload({ waitUntil: "domcontentloaded" });
    }
    pace(0);
    await Promise.all([page, ...others].map((one) => answer(one, "PROVEN")));
    await press(page, "Next card");
    await shows(page, "now");
  },

  // Names that would act if they could.
  async hostile(task, context) {
    const page = await open(task, context);
    const { tab } = page;
    // Put there as a folder that is there: no keyboard types all of it.
    for (const [as, path] of [["card", task.card], ...task.to.map((to) => ["drive", to])]) {
      await tab.evaluate((as, path) => fetch("/add", { method: "POST",
        headers: { "Content-Type": "application/json" }, body: JSON.stringify({ as, path }) }),
      as, path);
    }
    await tab.waitForFunction(() =>
      document.querySelectorAll("#view [type=checkbox]").length === 3);
    await tab.waitForFunction(() =>
      document.getElementById("plan").textContent.includes("to copy"));
    await judge(page, "now");
    await press(page, "Copy");
    await answer(page, "NOT PROVEN");
    await judge(page, "answer");
    await Promise.all([tab.waitForNavigation(), press(page, "Shoots", "link")]);
    await judge(page, "shoots");
    const acting = await tab.$$eval("script:not([src]), img:not([src^='/mark']), iframe, style",
      (all) => all.map((e) => e.outerHTML));
    if (acting.length) page.fault("script", acting.join(" "));
  },

  // The desk is killed: the page says that it is gone.
  async lost(task, context) {
    const page = await open(task, context);
    await addAll(page);
    process.kill(task.pid, "SIGKILL");
    await page.tab.waitForFunction(() => !document.getElementById("lost").hidden);
    await judge(page, "lost");
  },

  // Another page, of this computer even, gets nothing.
  async elsewhere(task, context) {
    const page = await open(task, context);
    const own = new URL(task.url).origin;
    const other = await context.newPage();
    await other.goto(task.other, { waitUntil: "load" });
    const got = await other.evaluate(async (own) => {
      const ask = (method, mode) => fetch(`${own}/state`, { method, mode, credentials: "include" })
        .then((answer) => (answer.type === "opaque" ? "opaque" : `${answer.status}`),
          () => "nothing");
      const frame = document.createElement("iframe");
      frame.src = `${own}/`;
      document.body.append(frame);
      await new Promise((done) => { frame.onload = done; });
      let seen = "nothing";
      try { seen = frame.contentDocument?.body.innerText || "nothing"; } catch { /* another's */ }
      return [await ask("GET", "cors"), await ask("POST", "no-cors"), seen].join(", ");
    }, own);
    if (got !== "nothing, nothing, nothing") page.fault("elsewhere", got);
    const state = await page.tab.evaluate(() => fetch("/state").then((a) => a.json()));
    if (state.view !== "now") page.fault("elsewhere", state.view);
    const wrong = await (await browser.createBrowserContext()).newPage();
    const answered = await wrong.goto(`${own}/?key=${"0".repeat(32)}`);
    if (answered.status() !== 403) page.fault("key", answered.status());
    await wrong.evaluate(axeSource);
  },
};

// ---- all of it --------------------------------------------------------------------------------

for (const task of tasks) {
  const context = await browser.createBrowserContext();
  try {
    await does[task.does](task, context);
  } catch (error) {
    const [tab] = (await context.pages()).slice(-1);
    const shown = await tab?.evaluate(() => document.body.innerText).catch(() => "");
    faults.push({ does: task.does, check: "broken",
      detail: `${String(error).slice(0, 300)} at ${error.stack?.split("\n")
        .filter((l) => l.includes("desk.mjs")).join(" ")}: ${shown?.slice(0, 600)}` });
    await tab?.screenshot({ path: join(folder, `${task.does}-broken.png`) }).catch(() => {});
  }
  await context.close();
}
await wait(0);
await browser.close();
process.stdout.write(JSON.stringify(faults));
