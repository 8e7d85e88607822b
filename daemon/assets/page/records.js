// Pulls made, setups, and the journal's newest entries.

import { byId, make, setText } from "./dom.js";
import { request } from "./api.js";
import { Curves, endingOf, hasCurve } from "./chart.js";
import { noteForm } from "./forms.js";
import { numberText } from "./units.js";

const ROWS = 12;
const EVENTS = 20;
const EVERY_MS = 300;

/** Fetches what changed, one request at a time, no more often than useful. */
export class Records {
  #units;
  #chart;
  #curves = new Curves();
  #seen = { pulls: -1, setups: -1, events: -1 };
  #wanted = null;
  #busy = false;
  #pulls = [];
  #forms;

  constructor(units, chart, forms) {
    this.#units = units;
    this.#chart = chart;
    this.#forms = forms;
    units.onChange(() => this.#rows());
  }

  /** The store has something new, or the daemon started again. */
  stored(stored) {
    this.#wanted = stored;
    setText(byId("setup-in-force"), stored.setup ?? "none chosen");
    this.#forms.air(stored.air);
    this.#fetch();
  }

  restart() {
    this.#seen = { pulls: -1, setups: -1, events: -1 };
    this.#curves.clear();
    this.#fetch();
  }

  async #fetch() {
    if (this.#busy) return;
    this.#busy = true;
    try {
      const { pulls, setups, events, setup } = this.#wanted;
      if (setups !== this.#seen.setups || setup !== this.#seen.setup) {
        this.#forms.setups(await request("/api/setups"));
        Object.assign(this.#seen, { setups, setup });
      }
      if (events !== this.#seen.events) {
        this.#events((await request(`/api/events?limit=${EVENTS}`)).events);
        this.#seen.events = events;
      }
      if (pulls !== this.#seen.pulls) {
        this.#pulls = (await request(`/api/pulls?limit=${ROWS}`)).pulls;
        this.#seen.pulls = pulls;
        await this.#chart.pulls(this.#pulls, (pull) => this.#curves.of(pull));
        await this.#rows();
      }
    } catch {
      // The next change, or the next daemon, brings it.
    } finally {
      await new Promise((resolve) => setTimeout(resolve, EVERY_MS));
      this.#busy = false;
    }
    const { pulls, setups, events } = this.#wanted;
    if (pulls !== this.#seen.pulls || setups !== this.#seen.setups || events !== this.#seen.events) this.#fetch();
  }

  async #rows() {
    const rows = [];
    for (const pull of this.#pulls) rows.push(this.#row(pull, hasCurve(pull) ? await this.#curves.of(pull) : null));
    // A note that is being written is not taken away.
    if (!byId("pulls").querySelector("form")) byId("pulls").replaceChildren(...rows);
  }

  #row(pull, curve) {
    const units = this.#units;
    const peak = (quantity, value, rpm) => (value === null || value === undefined ? "\u2013" : `${units.text(quantity, value)} at ${numberText(rpm, 0)} rpm`);
    const excluded = pull.excluded ? `excluded: ${pull.excluded.reason}` : "";
    const remarks = [endingOf(pull), excluded, ...pull.reasons, ...(curve?.remarks ?? [])];
    const note = make("td", {});
    noteForm(note, pull);
    return make("tr", {},
      make("th", { scope: "row" }, String(pull.id)),
      make("td", {}, pull.setup ?? "none"),
      make("td", {}, peak("torque", curve?.peak_torque_nm, curve?.peak_torque_rpm)),
      make("td", {}, peak("power", curve?.peak_power_w, curve?.peak_power_rpm)),
      make("td", {}, [...new Set(remarks)].filter(Boolean).join("; ")),
      note);
  }

  #events(events) {
    const clock = (us) => new Date(us / 1000).toLocaleTimeString([], { hour12: false });
    byId("events").replaceChildren(...events.map((event) => make("li", { "data-severity": event.severity },
      make("time", { dateTime: new Date(event.wall_us / 1000).toISOString() }, clock(event.wall_us)),
      make("span", { className: "severity" }, event.severity),
      make("span", { className: "message" }, event.channel ? `${event.channel}: ${event.message}` : event.message))));
  }
}
