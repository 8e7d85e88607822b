// The page's end of the live events: through the shared worker, or directly where there is none. A
// page that nobody sees lets go of the line.

import { Stream } from "./stream.js";
import { token } from "./api.js";

const STILL_HERE_MS = 20000;

/** Opens the line; the answer is a function that opens it again, with the token then in force. */
export function openLink(receive) {
  let port = null;
  let stream = null;
  const awake = () => document.visibilityState === "visible";

  const direct = () => {
    port = null;
    settle(true);
  };
  const settle = (again) => {
    if (port) {
      port.postMessage({ type: awake() ? "awake" : "asleep", token: token() });
      return;
    }
    if (stream && (again || !awake())) {
      stream.stop();
      stream = null;
    }
    if (awake() && !stream) {
      const opened = new Stream(token(), (message) => { if (stream === opened) receive(message); });
      stream = opened;
      stream.start();
    }
  };

  if (typeof SharedWorker === "function") {
    try {
      const worker = new SharedWorker("/assets/worker.js", { type: "module", name: "leverarm" });
      worker.onerror = direct;
      port = worker.port;
      port.onmessage = ({ data }) => receive(data);
      port.start();
    } catch {
      port = null;
    }
  }
  document.addEventListener("visibilitychange", () => settle(false));
  addEventListener("pagehide", () => port?.postMessage({ type: "bye" }));
  addEventListener("pageshow", ({ persisted }) => { if (persisted) location.reload(); });
  setInterval(() => settle(false), STILL_HERE_MS);
  settle(false);
  return () => settle(true);
}
