// The line beside the cut: a fault that lasts, one that is just over, or none.

import { byId, setData, setText } from "./dom.js";
import { request } from "./api.js";

const EVENTS = 100;
// After so long a fault that is over is the journal's alone.
const SHOWN_MS = 600000;
const LOOK_MS = 10000;
const PAUSE_MS = 300;
/** What says that a fault of this kind is over, about the same thing; others are of the moment. */
const ENDS = {
  "guard tripped": "guard cleared", "open thermocouple": "sensor back", "board silent": "board silent", "board late": "board late",
  "still driven": "still driven", store: "store", "stream waiting": "stream resumed",
};
// A cut that was asked for, and its confirmation, are in the band above: no faults by themselves.
const NONE = ["cut", "cut confirmed"];

export class LastFault {
  #found = null;
  #busy = false;
  #wanted = null;
  #seen = null;

  constructor() {
    setInterval(() => this.#show(), LOOK_MS);
  }

  /** The store has something new. */
  stored({ events, started_wall_us: run }) {
    this.#wanted = `${run} ${events}`;
    if (!this.#busy) this.#update();
  }

  async #update() {
    if (this.#wanted === this.#seen) return;
    const wanted = this.#wanted;
    this.#busy = true;
    try {
      const { events } = await request(`/api/events?severity=warning&limit=${EVENTS}`);
      const faults = events.filter((event) => !NONE.includes(event.kind));
      this.#found = { faults, lasting: await lasting(faults) };
      this.#show();
      this.#seen = wanted;
    } catch {
      // The next event, or the next daemon, brings it.
    } finally {
      await new Promise((resolve) => setTimeout(resolve, PAUSE_MS));
      this.#busy = false;
    }
    if (this.#wanted !== wanted) this.#update();
  }

  #show() {
    if (this.#found === null) return;
    const { faults: [newest], lasting } = this.#found;
    const clock = (us) => new Date(us / 1000).toLocaleTimeString([], { hour12: false });
    const words = (event) => `${event.channel ? `${event.channel}: ` : ""}${event.message}`;
    const line = byId("last-fault");
    const isRecent = newest && Date.now() - newest.wall_us / 1000 < SHOWN_MS;
    if (lasting) setText(line, `Fault since ${clock(lasting.wall_us)}: ${words(lasting)}`);
    else if (isRecent) setText(line, `No fault now. Last, ${clock(newest.wall_us)}: ${words(newest)}`);
    else setText(line, newest ? "No fault now" : "No fault so far");
    setData(line, "grave", Boolean(lasting));
  }
}

/** The newest fault whose end has not come. */
async function lasting(faults) {
  const open = faults.filter((fault) => fault.kind in ENDS);
  if (!open.length) return null;
  const oldest = open.at(-1).id;
  const { events } = await request(`/api/events?after=${oldest}&limit=1000`);
  const isOver = (fault) => events.some((event) => event.id > fault.id && event.kind === ENDS[fault.kind] &&
    event.channel === fault.channel && event.severity === "info");
  return open.find((fault) => !isOver(fault)) ?? null;
}
