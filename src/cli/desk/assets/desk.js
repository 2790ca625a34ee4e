// The page: shows what the server renders, and sends what the person does. It decides nothing.
"use strict";

const SAID_EVERY_MS = 10_000;
const LOST_AFTER_MS = 4_000;
const TYPED_AFTER_MS = 150;

const view = document.getElementById("view");
const byId = (id) => document.getElementById(id);
// What was asked may be answered when the view has changed: then nobody waits for the words.
const put = (id, words) => {
  const place = byId(id);
  if (place) place.textContent = words;
};

// ---- what the server is told ------------------------------------------------------------------

async function send(to, body) {
  const answer = await fetch(to, {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify(body ?? {}),
  }).catch(() => null);
  if (!answer) return { ok: false, why: "No answer from unlade desk. Is it still running?" };
  if (answer.ok) return { ok: true, answer };
  const why = await answer.json().then((told) => told.why).catch(() => null);
  return { ok: false, why: why ?? "That did not work. Load this page again." };
}

// ---- what the server shows --------------------------------------------------------------------

// Makes what stands here what is to stand here, and leaves alone what is the same already: what a
// person has ticked, typed or reached with the keyboard stays so.
function become(now, next) {
  if (now.nodeType !== Node.ELEMENT_NODE) {
    if (now.nodeValue !== next.nodeValue) now.nodeValue = next.nodeValue;
    return;
  }
  for (const { name } of [...now.attributes]) {
    // What a person has opened stays so.
    if (!next.hasAttribute(name) && name !== "open") now.removeAttribute(name);
  }
  for (const { name, value } of next.attributes) {
    if (now.getAttribute(name) !== value) now.setAttribute(name, value);
  }
  if (!now.hasAttribute("data-own")) becomeInside(now, next);
}

function becomeInside(now, next) {
  // What goes goes first: what stays need not be moved then, which would take the focus from it.
  const staying = new Set([...next.children].map((child) => child.id));
  for (const child of [...now.children]) {
    if (child.id && !staying.has(child.id)) child.remove();
  }
  let at = now.firstChild;
  for (const wanted of [...next.childNodes]) {
    let same = null;
    if (wanted.id) {
      same = [...now.children].find((child) => child.id === wanted.id) ?? null;
    } else if (at && !at.id && at.nodeName === wanted.nodeName) {
      same = at;
    }
    if (!same) {
      now.insertBefore(wanted, at);
    } else if (same === at) {
      at = at.nextSibling;
      become(same, wanted);
    } else {
      now.insertBefore(same, at);
      become(same, wanted);
    }
  }
  while (at) {
    const gone = at;
    at = at.nextSibling;
    gone.remove();
  }
}

function show(frame) {
  if (!frame.view) return;
  if (frame.view === "ended") {
    lose("unlade desk has ended. Start it again to go on.");
    return;
  }
  // What was so before this page was loaded is over.
  if (!view.hasAttribute("data-live") || frame.at < Number(view.dataset.at)) return;
  view.dataset.at = frame.at;
  const next = new DOMParser().parseFromString(frame.html, "text/html").body;
  const isOther = view.dataset.view !== frame.view;
  if (isOther) {
    view.dataset.view = frame.view;
    view.replaceChildren(...next.childNodes);
    for (const dialog of document.querySelectorAll("dialog[open]")) dialog.close();
    const heading = view.querySelector("h1");
    heading.tabIndex = -1;
    heading.focus();
    window.scrollTo(0, 0);
  } else {
    becomeInside(view, next);
  }
  say(frame, isOther);
  plan();
}

// An answer is said at once, all else every ten seconds at most.
let saidAt = -Infinity;
function say(frame, isOther) {
  if (frame.view === "answer") {
    put("said", "");
    if (byId("told")?.textContent !== frame.say) put("told", frame.say);
    return;
  }
  put("told", "");
  const now = performance.now();
  if (!isOther && now - saidAt < SAID_EVERY_MS) return;
  if (byId("said")?.textContent !== frame.say) {
    put("said", frame.say);
    saidAt = now;
  }
}

function lose(why) {
  const lost = byId("lost");
  if (lost.textContent !== why) lost.textContent = why;
  lost.hidden = false;
}

let losing = 0;
function heard(what) {
  if (what.lost) {
    losing ||= setTimeout(() => lose("No answer from unlade desk. Is it still running? What was " +
      "checked is kept: start it again to go on."), LOST_AFTER_MS);
    return;
  }
  clearTimeout(losing);
  losing = 0;
  byId("lost").hidden = true;
  if (what.frame) show(JSON.parse(what.frame));
}

function listen() {
  if (window.SharedWorker) {
    const { port } = new SharedWorker("/events.js", { name: "unlade" });
    port.onmessage = (message) => heard(message.data);
    addEventListener("pagehide", () => port.postMessage("bye"));
    // Out of the browser's memory again: it is another page by now.
    addEventListener("pageshow", (event) => event.persisted && location.reload());
    return;
  }
  const source = new EventSource("/events");
  source.onmessage = (event) => heard({ frame: event.data });
  source.onerror = () => heard({ lost: true });
  source.onopen = () => heard({ lost: false });
}

// ---- the plan ---------------------------------------------------------------------------------

function ticked() {
  const all = (name) => [...view.querySelectorAll(`input[name=${name}]:checked`)]
    .map((box) => box.value);
  const typed = (id) => byId(id)?.value.trim() || null;
  return { cards: all("card"), to: all("drive"), separate: !!byId("separate")?.checked,
    name: typed("name"), shoot: typed("shoot"), expect: typed("expect") };
}

let planned = "";
let planning = null;
async function plan() {
  const place = byId("plan");
  if (!place) {
    planned = "";
    return;
  }
  const asked = JSON.stringify(ticked());
  if (asked === planned) return;
  planned = asked;
  put("copy-why", "");
  planning?.abort();
  planning = new AbortController();
  place.setAttribute("aria-busy", "true");
  try {
    const answer = await fetch("/plan", {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: asked,
      signal: planning.signal,
    });
    if (!answer.ok) return;
    const next = new DOMParser().parseFromString(await answer.text(), "text/html").body;
    if (planned !== asked) return;
    becomeInside(place, next);
    place.removeAttribute("aria-busy");
  } catch (error) {
    if (error.name !== "AbortError") planned = "";
  }
}

async function copy() {
  const done = await send("/copy", ticked());
  put("copy-why", done.ok ? "" : done.why);
}

// ---- the choice of a folder -------------------------------------------------------------------

const picker = byId("picker");
let pickedAs = "card";

function pick(as) {
  pickedAs = as;
  byId("path").value = "";
  put("picker-why", "");
  picker.showModal();
  byId("path").focus();
  list();
}

let listed = 0;
async function list() {
  const turn = ++listed;
  const done = await send("/folders", { path: byId("path").value });
  if (turn !== listed) return;
  put("picker-why", done.ok ? "" : done.why);
  if (!done.ok) return;
  const { folders, more } = await done.answer.json();
  if (turn !== listed) return;
  const rows = folders.map(({ path, name }) => {
    const row = document.createElement("li");
    const button = document.createElement("button");
    button.type = "button";
    const text = document.createElement("bdi");
    text.textContent = name;
    button.append(text);
    button.onclick = () => {
      byId("path").value = path.endsWith("/") ? path : `${path}/`;
      byId("path").focus();
      list();
    };
    row.append(button);
    return row;
  });
  if (more) {
    const row = document.createElement("li");
    row.textContent = "There are more: type the first letters.";
    rows.push(row);
  }
  byId("folders").replaceChildren(...rows);
}

async function add(event) {
  event.preventDefault();
  const done = await send("/add", { as: pickedAs, path: byId("path").value });
  if (done.ok) picker.close();
  else put("picker-why", done.why);
}

if (picker) {
  let typing = 0;
  byId("path").addEventListener("input", () => {
    clearTimeout(typing);
    typing = setTimeout(list, TYPED_AFTER_MS);
  });
  byId("picker-form").addEventListener("submit", add);
}

// ---- what the person does ---------------------------------------------------------------------

document.addEventListener("click", async (event) => {
  const button = event.target.closest("button");
  if (!button) return;
  if (button.id === "copy") return copy();
  const { post, pick: as, open } = button.dataset;
  if (as) return pick(as);
  if (open) return byId(open).showModal();
  const dialog = button.closest("dialog");
  if (dialog && (post || button.hasAttribute("data-close"))) dialog.close();
  if (post) {
    const done = await send(post);
    if (!done.ok) lose(done.why);
  }
});

document.addEventListener("change", () => plan());

if (view.hasAttribute("data-live")) {
  say({ view: view.dataset.view, say: view.dataset.say }, true);
  listen();
  plan();
}
