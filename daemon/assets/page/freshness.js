// How old the newest values are, by this browser's own clock. Three things make them old: nothing
// came for a while, what comes was long on its way, or the daemon itself hears nothing of the board.

import { byId, setText } from "./dom.js";

// Values that are older look old. Half a second is the promise; the rest is for timers and painting.
const STALE_MS = 350;
// Below this the delay is that of frames that wait for each other.
const LATE_MS = 50;
const CHECK_MS = 50;
// A daemon that says nothing for so long is lost, and the page says loudly what to do. A person who sees
// it waits no longer than that; a line that only stutters has come back by then.
const LOST_MS = 1500;
// After so much of the daemon's time the reference of the delay is forgotten, since clocks drift.
const REFERENCE_MS = 60000;

export class Freshness {
  #receivedAt = null;
  // A page that nobody saw let go of the line: its silence counts from when it is seen again.
  #seenAt = 0;
  #monoMs = 0;
  #boardMs = 0;
  #lateMs = 0;
  #offsets = [Infinity, Infinity];
  #turnedAtMs = 0;
  #fades;
  #listener;
  state = "connecting";

  constructor(listener) {
    this.#listener = listener;
    // The compositor fades old values by itself, even when this script hangs: each event starts it
    // again from the beginning.
    this.#fades = [...document.querySelectorAll("[data-fresh]")].map((node) => {
      const fade = node.animate([{ opacity: 1 }, { opacity: 1, offset: 0.8 }, { opacity: 0.42 }],
        { duration: STALE_MS / 0.8, fill: "forwards" });
      fade.finish();
      return fade;
    });
    document.addEventListener("visibilitychange", () => { this.#seenAt = performance.now(); });
    setInterval(() => this.check(), CHECK_MS);
  }

  /** The next event is of another daemon: its clock has nothing to do with the last one's. */
  restart() {
    this.#offsets = [Infinity, Infinity];
    this.#turnedAtMs = 0;
  }

  /** A live event came. */
  received(live) {
    const now = performance.now();
    const monoMs = live.mono_us / 1000;
    this.#receivedAt = now;
    this.#monoMs = monoMs;
    this.#lateMs = live.board_delay_ms ?? 0;
    this.#boardMs = live.connected ? live.board_age_ms ?? 0 : 0;
    if (monoMs - this.#turnedAtMs > REFERENCE_MS) {
      this.#offsets = [Infinity, this.#offsets[0]];
      this.#turnedAtMs = monoMs;
    }
    this.#offsets[0] = Math.min(this.#offsets[0], now - monoMs);
    if (this.#delayMs() + this.#boardMs < STALE_MS) for (const fade of this.#fades) { fade.currentTime = 0; fade.play(); }
    this.check();
  }

  #delayMs() {
    return Math.max(0, this.#receivedAt - this.#monoMs - Math.min(...this.#offsets));
  }

  /** Age of what is shown, ms; null before the first event. */
  get ageMs() {
    if (this.#receivedAt === null) return null;
    return performance.now() - this.#receivedAt + this.#delayMs() + this.#boardMs;
  }

  /** Since when nothing came from the daemon, ms. */
  get silentMs() {
    return this.#receivedAt === null ? null : performance.now() - this.#receivedAt;
  }

  check() {
    const age = this.ageMs;
    const silent = age === null ? 0 : Math.min(this.silentMs, performance.now() - this.#seenAt);
    const late = age === null ? 0 : this.#delayMs();
    const state = age === null ? "connecting" : Math.max(silent, late) > LOST_MS ? "lost" : age > STALE_MS ? "stale" : "live";
    const seconds = age === null ? "" : `${(age / 1000).toFixed(age < 9950 ? 1 : 0)} s`;
    const live = this.#lateMs >= LATE_MS ? `board ${(this.#lateMs / 1000).toFixed(2)} s late` : "live";
    setText(byId("freshness"), { connecting: "no data yet", lost: `lost ${seconds}`, stale: `stale ${seconds}`, live }[state]);
    if (state !== this.state) {
      this.state = state;
      document.body.dataset.link = state;
    }
    this.#listener(state, age);
  }
}
