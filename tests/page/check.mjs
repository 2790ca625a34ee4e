// Judges pages from outside the program: a browser (headless Chromium), axe-core, html-validate and
// poppler's pdftotext. Tells what each page is to be faulted for, as JSON on standard output; who
// calls it (tests/it/linux/page_outside.rs) knows which pages must be faultless and which must not.
//
//   node check.mjs FOLDER CHROMIUM
//
// FOLDER/pages.json lists the pages: {file, verdict, shows: [text], prints: [text], unprinted:
// [text], pages_max, pictures, sample}; one with so many pictures may hold them, as JPEGs that are
// part of it; of a sample not every width is looked at in light and dark, nor both sizes of paper.
// Screenshots and PDFs for people are put beside them.

import { execFileSync } from "node:child_process";
import { readFileSync, writeFileSync } from "node:fs";
import { createRequire } from "node:module";
import { join } from "node:path";
import { pathToFileURL } from "node:url";
import { HtmlValidate } from "html-validate";
import puppeteer from "puppeteer-core";

const [folder, chromium] = process.argv.slice(2);
const pages = JSON.parse(readFileSync(join(folder, "pages.json"), "utf8"));
const axeSource = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"),
  "utf8");
const SAMPLE = [[320, "dark"], [1280, "light"]];
const SIGHTS = [...SAMPLE, [1280, "dark"], [320, "light"]];
// What axe-core says of colours follows from the scheme, all else from the page and its width: both
// widths are in the sample.
const COLOURS = { runOnly: ["color-contrast"] };
// WCAG 2.2, 1.4.10 (Reflow): no sideways scroll at 320 CSS pixels.
const HEIGHT = 800;
// So many rows of each list are shown to axe-core: with thousands it takes minutes, and rows are
// alike.
const ROWS_ALIKE = 25;

const PICTURE = "data:image/jpeg;base64,";

const htmlValidate = new HtmlValidate({
  extends: ["html-validate:recommended", "html-validate:document", "html-validate:a11y"],
  // A style rule of theirs, not of HTML: what an offload is called is not ours to shorten.
  rules: { "long-title": "off" },
});

const faults = [];

async function check(browser, page) {
  const path = join(folder, page.file);
  const url = pathToFileURL(path).href;
  const fault = (check, detail) => faults.push({ page: page.file, check,
    detail: String(detail).slice(0, 600) });

  const report = await htmlValidate.validateFile(path);
  for (const result of report.results) {
    for (const m of result.messages) fault("html",
      `${m.line}:${m.column} ${m.ruleId}: ${m.message}`);
  }

  const tab = await browser.newPage();
  const isOwn = (u) => u === url || (page.pictures && u.startsWith(PICTURE));
  tab.on("request", (r) => isOwn(r.url()) || fault("request", r.url()));
  tab.on("console", (m) => fault("console", m.text()));
  tab.on("pageerror", (e) => fault("console", e));
  tab.on("dialog", (d) => { fault("script", `a dialog: ${d.message()}`); d.dismiss(); });
  for (const [width, scheme] of page.sample ? SAMPLE : SIGHTS) {
    const when = `${width} px, ${scheme}`;
    const asked = SAMPLE.some(([w, s]) => w === width && s === scheme) ? {} : COLOURS;
    await tab.setViewport({ width, height: HEIGHT });
    await tab.emulateMediaFeatures([{ name: "prefers-color-scheme", value: scheme }]);
    await tab.goto(url, { waitUntil: "load" });

    await look(tab, page, fault, when);
    await scroll(tab, fault, when);
    if (!page.broken) {
      const shot = page.file.replace(/html$/, `${width}-${scheme}.png`);
      const height = await tab.evaluate(() => document.documentElement.scrollHeight);
      await tab.screenshot({ path: join(folder, shot), clip: { x: 0, y: 0, width,
        height: Math.min(height, 6000) } });
    }
    await fold(tab, true);
    await scroll(tab, fault, `${when}, unfolded`);
    await tab.evaluate(shorten, ROWS_ALIKE);
    await tab.evaluate(axeSource);
    await axe(tab, asked, fault, `${when}, unfolded`);
    await fold(tab, false);
    await axe(tab, asked, fault, when);
  }
  await print(tab, url, page, fault);
  await tab.close();
}

function fold(tab, open) {
  return tab.evaluate((open) => {
    for (const d of document.querySelectorAll("details")) d.open = open;
  }, open);
}

// Takes all but the first rows of each list away.
function shorten(most) {
  for (const list of document.querySelectorAll("tbody, ul, ol")) {
    for (const row of [...list.children].slice(most)) row.remove();
  }
}

async function scroll(tab, fault, when) {
  const [needs, has] = await tab.evaluate(() => {
    const root = document.scrollingElement;
    return [root.scrollWidth, root.clientWidth];
  });
  if (needs > has) fault("sideways", `${needs} px wide (${when})`);
}

// What stands in the document: the verdict in sight at once, names as text, nothing that could act.
async function look(tab, page, fault, when) {
  const seen = await tab.evaluate((picture) => {
    const isPicture = (e) => picture && e.tagName === "IMG" && e.src.startsWith(picture);
    const all = [...document.querySelectorAll("*")].filter((e) => !isPicture(e) ||
      e.getAttributeNames().some((n) => /^on/i.test(n)));
    const heading = document.querySelector("h1, h2, h3, h4, h5, h6");
    return {
      text: document.body.textContent,
      title: document.title,
      acting: all
        .filter((e) =>
          /^(script|iframe|object|embed|img|link|a|form|input|base|video|audio)$/i.test(e.tagName))
        .map((e) => e.outerHTML.slice(0, 200)),
      handlers: all.flatMap((e) =>
        e.getAttributeNames().filter((n) => /^on|^href$|^src$/i.test(n))),
      heading: heading?.tagName === "H1" ? heading.textContent : null,
      below: heading ? heading.getBoundingClientRect().bottom : Infinity,
      broken: [...document.images].filter((i) => i.complete && !i.naturalWidth).length,
      pictures: document.images.length,
    };
  }, page.pictures ? PICTURE : null);
  if (page.pictures && (seen.broken || seen.pictures !== page.pictures)) {
    fault("picture", `${seen.pictures} pictures, ${seen.broken} are not shown`);
  }
  if (seen.acting.length || seen.handlers.length) fault("script", [...seen.acting,
    ...seen.handlers].join(" "));
  // Unicode's bidirectional controls (UAX 9), and controls other than line ends.
  const raw =
    /[\u0000-\u0008\u000b-\u001f\u007f-\u009f\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]/;
  if (raw.test(seen.text) || raw.test(seen.title)) fault("raw", "a control character in the text");
  for (const text of page.shows ?? []) if (!seen.text.includes(text)) fault("shown", text);
  if (seen.heading !== page.verdict || seen.below > HEIGHT) {
    fault("verdict", `first heading ${seen.heading}, ends at ${seen.below} px (${when})`);
  }
}

async function axe(tab, asked, fault, when) {
  const violations = await tab.evaluate(async (asked) => {
    const found = await globalThis.axe.run(document, { preload: false, resultTypes: ["violations"],
      ...asked });
    return found.violations.map((v) =>
      `${v.id}: ${v.nodes.slice(0, 3).map((n) => n.html).join(" | ")}`);
  }, asked);
  for (const v of violations) fault(when.includes("dark") ? "axe-dark" : "axe-light",
    `${v} (${when})`);
}

async function print(tab, url, page, fault) {
  for (const format of page.sample ? ["A4"] : ["A4", "Letter"]) {
    // A dark desktop must not make dark paper or dark ink on it.
    await tab.emulateMediaFeatures([{ name: "prefers-color-scheme", value: "dark" }]);
    await tab.goto(url, { waitUntil: "load" });
    const file = join(folder, page.file.replace(/html$/, `${format}.pdf`));
    writeFileSync(file, await tab.pdf({ format, printBackground: false }));
    const text = execFileSync("pdftotext", ["-layout", file, "-"], { encoding: "utf8",
      maxBuffer: 1 << 28 });
    const sheets = text.split("\f").slice(0, -1);
    const flat = text.replace(/\s+/g, " ");
    if (!(sheets[0] ?? "").split("\n").some((l) => l.trim() === page.verdict)) {
      fault("print-verdict", `${format}: not on page one: ${page.verdict}`);
    }
    if (page.pages_max && sheets.length > page.pages_max) fault("print-pages",
      `${format}: ${sheets.length} pages`);
    for (const t of page.prints ?? []) if (!flat.includes(t)) fault("print-told",
      `${format}: ${t}`);
    for (const t of page.unprinted ?? []) if (flat.includes(t)) fault("print-list",
      `${format}: ${t}`);
  }
}

const browser = await puppeteer.launch({
  executablePath: chromium,
  headless: true,
  // Root, as in CI, has no sandbox in Chromium; the pages are the test's own. No name is looked up.
  args: ["--no-sandbox", "--disable-dev-shm-usage", "--host-resolver-rules=MAP * ~NOTFOUND"],
});
try {
  for (const page of pages) await check(browser, page);
} finally {
  await browser.close();
}
console.log(JSON.stringify(faults));
