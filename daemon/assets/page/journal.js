// The journal: what happened, what to check first, the samples around it, and a person's word on it.

import { byId, make, setText } from "./dom.js";
import { request } from "./api.js";
import { onSubmit } from "./forms.js";
import { numberText } from "./units.js";

const ENTRIES = 200;
const EVERY_MS = 500;
const DAY_US = 86400e6;
const AROUND_S = 2;
// Samples of the last moment are not stored yet.
const LATER_MS = 3000;
const TRENDS = { healthy: "no fault", steady: "no change", worse: "getting worse", better: "getting better" };

const when = (us) => new Date(us / 1000).toLocaleString([], { dateStyle: "short", timeStyle: "medium", hour12: false });
const cells = (...contents) => contents.map((each) => make("td", {}, each ?? ""));

export class Journal {
  #open = false;
  #events = -1;
  #shown = -1;
  #busy = false;
  #again = false;
  #event = null;
  #channel = null;
  #plot = null;

  constructor(views) {
    const filter = byId("journal-filter");
    filter.addEventListener("submit", (event) => event.preventDefault());
    filter.addEventListener("change", () => this.#refresh());
    onSubmit(byId("journal-look"), (data) => ({
      path: `/api/events/${this.#event.id}/note`,
      value: { note: data.get("note") },
      then: ({ message }) => { byId("journal-look").reset(); this.#refresh(); return message; },
    }), byId("journal-look").nextElementSibling);
    new ResizeObserver(() => this.#plot?.setSize(this.#size())).observe(byId("journal-plot"));
    views.onOpen((view) => {
      this.#open = view === "journal";
      if (this.#open) this.#refresh();
    });
  }

  stored({ events }) {
    this.#events = events;
    if (this.#open && events !== this.#shown) this.#refresh();
  }

  /** One request after the other: what comes while one is under way is looked at after it. */
  async #refresh() {
    this.#again = true;
    if (this.#busy) return;
    this.#busy = true;
    while (this.#again && this.#open) {
      this.#again = false;
      this.#shown = this.#events;
      try {
        await this.#fetch();
      } catch (error) {
        setText(byId("journal-none"), `The journal can't be read: ${error.message}`);
      }
      await new Promise((resolve) => setTimeout(resolve, EVERY_MS));
    }
    this.#busy = false;
  }

  async #fetch() {
    const chosen = new FormData(byId("journal-filter"));
    const query = new URLSearchParams({ limit: ENTRIES });
    const since = chosen.get("since") && `${Math.round(Date.now() * 1000 - chosen.get("since") * DAY_US)}`;
    if (since) query.set("since_wall_us", since);
    for (const key of ["severity", "channel", "pull"]) {
      const value = chosen.get(key).trim();
      if (value) query.set(key, value);
    }
    const { entries } = await request(`/api/journal?${query}`);
    const span = since ? `?since_wall_us=${since}` : "";
    const { days } = await request(`/api/journal/days${span}`);
    const { channels } = await request(`/api/journal/health${span}`);
    this.#entries(entries);
    this.#days(days);
    this.#health(channels);
  }

  #entries(entries) {
    setText(byId("journal-none"), entries.length ? "" : "Nothing of this kind in the journal.");
    byId("journal-entries").replaceChildren(...entries.map((entry) => {
      const button = make("button", { type: "button", className: "quiet" }, entry.kind);
      button.addEventListener("click", () => this.#choose(entry));
      const row = make("tr", { "data-severity": entry.severity }, ...cells(when(entry.wall_us), button, entry.channel,
        String(entry.count), entry.pull === null ? "" : String(entry.pull), entry.message, entry.acknowledged?.note));
      if (entry.id === this.#event?.id) row.setAttribute("aria-current", "true");
      return row;
    }));
  }

  #days(days) {
    byId("journal-days").replaceChildren(...days.map((day) => make("tr", {}, ...cells(day.date,
      String(day.pulls + day.pulls_not_whole), String(day.cuts), String(day.errors), String(day.warnings), String(day.not_looked_at),
      day.kinds.slice(0, 3).map(([kind, count]) => `${kind} × ${count}`).join(", ")))));
  }

  #health(channels) {
    const grave = ["worse", "steady", "better", "healthy"];
    const sorted = channels.toSorted((a, b) => grave.indexOf(a.trend) - grave.indexOf(b.trend));
    byId("journal-health").replaceChildren(...sorted.map(({ channel, trend, faults_per_h: [before, lately] }) =>
      make("tr", { "data-trend": trend }, ...cells(channel, TRENDS[trend], before.toFixed(2), lately.toFixed(2)))));
    const select = byId("journal-filter").elements.channel;
    const chosen = select.value;
    const names = channels.map(({ channel }) => channel);
    const options = [make("option", { value: "" }, "anything"), ...names.map((name) => make("option", { value: name }, name))];
    if (select.options.length !== options.length) select.replaceChildren(...options);
    select.value = names.includes(chosen) ? chosen : "";
  }

  async #choose(entry) {
    const said = byId("journal-look").nextElementSibling;
    said.textContent = "";
    try {
      this.#event = { ...(await request(`/api/events/${entry.id}`)), count: entry.count, last_wall_us: entry.last_wall_us };
    } catch (error) {
      said.textContent = error.message;
      return;
    }
    this.#detail();
    byId("journal-event").focus();
    byId("journal-event").scrollIntoView({ block: "start" });
    this.#refresh();
    const newest = Math.max(...(this.#event.evidence?.series ?? []).flatMap(({ samples }) => samples.slice(-1).map(({ at_s: at }) => at)));
    if (Number.isFinite(newest) && newest < AROUND_S - 0.5) setTimeout(() => this.#later(entry.id), LATER_MS);
  }

  /** What was stored meanwhile, if the event is still looked at. */
  async #later(id) {
    const { evidence } = await request(`/api/events/${id}`).catch(() => ({}));
    if (!evidence || this.#event.id !== id) return;
    this.#event.evidence = evidence;
    this.#channels(this.#channel?.channel);
  }

  #detail() {
    const event = this.#event;
    byId("journal-event").hidden = false;
    setText(byId("journal-event-title"), event.channel ? `${event.kind}, ${event.channel}` : event.kind);
    setText(byId("journal-words"), event.message);
    setText(byId("journal-check"), event.check_first ?? "nothing: it is for the record");
    const { evidence } = event;
    const board = evidence?.tick && evidence.tick_hz ? `${(evidence.tick / evidence.tick_hz).toFixed(6)} s` : "not known";
    const facts = [["Wall time", when(event.wall_us)], ["Since the board's start", board], ["Severity", event.severity],
      ["Pull", event.pull ?? "none"], ["Times", event.count > 1 ? `${event.count}, until ${when(event.last_wall_us)}` : "1"],
      ["Event", event.id]];
    if (event.acknowledged) facts.push(["Looked at", `${when(event.acknowledged.wall_us)}: ${event.acknowledged.note}`]);
    byId("journal-facts").replaceChildren(...facts.map(([term, text]) => make("div", {}, make("dt", {}, term), make("dd", {}, String(text)))));
    const faults = [...(evidence?.faults ?? []).map(([text, count]) => `${count} × ${text}`), ...(evidence?.gaps ?? [])];
    byId("journal-faults").replaceChildren(...faults.map((text) => make("li", {}, text)));
    this.#channels(event.channel);
  }

  #channels(wanted) {
    const series = (this.#event.evidence?.series ?? []).filter(({ samples }) => samples.length);
    const own = series.find(({ channel }) => channel === wanted) ?? series[0];
    this.#channel = own ?? null;
    const field = byId("journal-channels");
    const switches = series.map((each) => {
      const input = make("input", { type: "radio", name: "evidence", value: each.channel, checked: each === own });
      input.addEventListener("change", () => { this.#channel = each; this.build(); });
      return make("label", {}, input, make("span", {}, each.channel));
    });
    field.replaceChildren(field.querySelector("legend"), ...switches);
    this.build();
  }

  #size() {
    const { clientWidth, clientHeight } = byId("journal-plot");
    return { width: Math.max(200, clientWidth), height: Math.max(120, clientHeight) };
  }

  /** Colours are read when the plot is made, so another appearance makes it again. */
  build() {
    this.#plot?.destroy();
    this.#plot = null;
    const place = byId("journal-plot");
    const shown = this.#channel;
    place.setAttribute("aria-label", shown ? `${shown.channel}, ${shown.samples.length} samples from 2 s before the event to 2 s after it` : "No samples were stored around it");
    if (!shown) return;
    const style = getComputedStyle(document.documentElement);
    const colour = (name) => style.getPropertyValue(name).trim();
    const axis = { stroke: colour("--muted"), font: `14px "Leverarm Sans", sans-serif`, grid: { stroke: colour("--faint"), width: 1 }, ticks: { show: false } };
    // Counts are what the board sent; a speed has none.
    const raw = shown.samples.some(({ counts }) => counts !== null);
    const values = shown.samples.map(({ counts, value }) => (raw ? counts : value));
    const unit = raw ? "counts" : shown.unit;
    const low = Math.min(...values.filter((value) => value !== null));
    const high = Math.max(...values.filter((value) => value !== null));
    const room = Math.max(0.1 * (high - low), 1);
    const options = {
      ...this.#size(), legend: { show: false }, cursor: { show: false }, padding: [10, 18, 0, 0],
      scales: { x: { time: false, range: () => [-AROUND_S, AROUND_S] }, y: { range: () => [low - room, high + room] } },
      axes: [{ ...axis, size: 26, splits: () => [-2, -1, 0, 1, 2], values: (_plot, splits) => splits.map((s) => (s === 0 ? "event" : `${s > 0 ? "+" : "\u2212"}${Math.abs(s)} s`)) },
        { ...axis, size: 76, label: unit, labelSize: 22, labelFont: axis.font, values: (_plot, splits) => splits.map((value) => numberText(value, 0)) }],
      series: [{}, { stroke: colour("--c0"), width: 2, points: { show: true, size: 4 }, spanGaps: false }],
      hooks: { draw: [(plot) => mark(plot, colour("--cut"))] },
    };
    this.#plot = new uPlot(options, [shown.samples.map(({ at_s: at }) => at), values], place);
  }
}

/** A line at the event. */
function mark(plot, ink) {
  const { top, height } = plot.bbox;
  const x = plot.valToPos(0, "x", true);
  const context = plot.ctx;
  context.save();
  context.strokeStyle = ink;
  context.lineWidth = 2 * (window.devicePixelRatio || 1);
  context.beginPath();
  context.moveTo(x, top);
  context.lineTo(x, top + height);
  context.stroke();
  context.restore();
}
