// One stream for all pages of this browser: a browser opens only a few connections to one address,
// and a cut must never wait for one.

import { Stream } from "./stream.js";

// A page that is gone says so, but not when it crashed.
const QUIET_PAGE_MS = 180000;

let stream = null;
let streamToken = null;
let stored = null;
const pages = new Map();

function send(message) {
  if (message.type === "stored") stored = message;
  if (message.status === 401 || message.status === 403) stream = null;
  for (const [port, page] of pages) if (page.awake) port.postMessage(message);
}

function settle() {
  const awake = [...pages.values()].some((page) => page.awake);
  if (!awake) {
    stream?.stop();
    stream = null;
    stored = null;
  } else if (!stream) {
    stream = new Stream(streamToken, send);
    stream.start();
  }
}

onconnect = ({ ports: [port] }) => {
  port.onmessage = ({ data }) => {
    const page = { awake: data.type === "awake", heardAt: Date.now() };
    if (data.type === "bye") {
      pages.delete(port);
      port.close();
    } else {
      if (page.awake && !pages.get(port)?.awake && stored) port.postMessage(stored);
      pages.set(port, page);
    }
    if (data.type === "awake" && data.token !== streamToken) {
      streamToken = data.token;
      stream?.stop();
      stream = null;
    }
    settle();
  };
};

setInterval(() => {
  for (const [port, page] of pages) {
    if (Date.now() - page.heardAt > QUIET_PAGE_MS) pages.delete(port);
  }
  settle();
}, 30000);
