// Listens once for all pages of this browser: a browser has few connections to one place, and with
// many pages open none would be left for anything else.
"use strict";

const pages = new Set();
let source = null;
let last = null;

function tell(what) {
  for (const page of pages) page.postMessage(what);
}

function listen() {
  if (source && source.readyState !== EventSource.CLOSED) return;
  source = new EventSource("/events");
  source.onmessage = (event) => {
    last = event.data;
    tell({ frame: last });
  };
  source.onerror = () => tell({ lost: true });
  source.onopen = () => tell({ lost: false });
}

self.onconnect = (event) => {
  const page = event.ports[0];
  pages.add(page);
  page.onmessage = (message) => {
    if (message.data === "bye") pages.delete(page);
  };
  listen();
  if (last) page.postMessage({ frame: last });
};
