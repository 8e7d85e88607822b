// The last pulls over engine speed, and the one under way on top of them.

import { byId, make } from "./dom.js";
import { request } from "./api.js";
import { RAD_PER_S_PER_RPM, numberText } from "./units.js";

const SHOWN = 4;
const BIN_RPM = 50;
const KEPT_CURVES = 12;
/** Of the band about the newest curve, two hexadecimal digits. */
const BAND_OPACITY = "33";
const DASHES = [[], [10, 4], [3, 3], [12, 4, 3, 4], [6, 6]];
const RANGE_FROM_ZERO = (_plot, least, most) => (isNone(most) ? [0, 1] : [Math.min(0, least), 1.08 * Math.max(most, 1e-3)]);
// What lies far from zero would be a straight line there.
const RANGE_OF_FIGURE = (_plot, least, most) => {
  if (isNone(most)) return [0, 1];
  const spare = 0.1 * (most - least || Math.abs(most) || 1);
  return [least - spare, most + spare];
};
const isNone = (value) => value === null || value === undefined;

/** Corrected at the crank, with a line of the pull under way. */
const MEASURES = {
  torque: {
    name: "torque", quantity: "torque", live: "torque_nm", range: RANGE_FROM_ZERO,
    values: (curve) => curve.torque_nm, halves: (curve) => curve.expanded_uncertainty_nm,
    peak: (curve) => [curve.peak_torque_nm, curve.peak_torque_rpm],
  },
  power: {
    name: "power", quantity: "power", live: "power_w", range: RANGE_FROM_ZERO,
    values: (curve) => curve.power_w,
    halves: (curve) => curve.expanded_uncertainty_nm.map((half, i) => (isNone(half) ? null : half * curve.rpm[i] * RAD_PER_S_PER_RPM)),
    peak: (curve) => [curve.peak_power_w, curve.peak_power_rpm],
  },
};
const KINDS = { figures: "Figures", channels: "Channels" };

/** A figure of the engine, or a channel; a pull may lack it. */
function figureMeasure(kind, name, quantity) {
  const found = (curve) => curve[kind].find((each) => each.name === name);
  const column = (key) => (curve) => found(curve)?.[key] ?? curve.rpm.map(() => null);
  return { name: words(name), quantity, range: RANGE_OF_FIGURE, values: column("values"), halves: column("expanded_uncertainty") };
}

const words = (name) => name.replaceAll("_", " ");

/** Decimals that show a half width with two digits when it begins with a 1 or 2, else with one. */
export function decimalsFor(half) {
  let decimals = 0;
  while (decimals < 4 && half > 0 && half * 10 ** decimals < 3) decimals++;
  return decimals;
}

export class Chart {
  #units;
  #stand;
  #shown = "torque";
  #offered = new Map();
  #pulls = [];
  #trace = new Map();
  #tracing = false;
  #plot = null;
  #dirty = false;

  constructor(stand, units) {
    this.#stand = stand;
    this.#units = units;
    units.onChange(() => this.build());
    for (const input of document.querySelectorAll('input[name="shown"]')) {
      input.addEventListener("change", () => this.#choose(input.value));
    }
    byId("figure").addEventListener("change", () => this.build());
    this.build();
    new ResizeObserver(() => this.#plot?.setSize(this.#size())).observe(byId("curves"));
  }

  /** The pulls that there are, newest first; their curves are fetched one after the other. */
  async pulls(pulls, curveOf) {
    const wanted = pulls.filter(hasCurve).slice(0, SHOWN);
    const found = [];
    for (const pull of wanted) {
      const curve = await curveOf(pull);
      if (curve) found.push({ pull, curve });
    }
    const newest = found[0]?.pull.id;
    if (newest !== this.#pulls[0]?.pull.id && !this.#tracing) this.#trace.clear();
    this.#pulls = found;
    this.#offer();
    this.build();
  }

  #choose(shown) {
    this.#shown = shown;
    byId("figure-choice").hidden = shown !== "engine";
    this.build();
  }

  /** What of the engine the pulls shown have. */
  #offer() {
    const offered = new Map();
    for (const kind of Object.keys(KINDS)) {
      for (const { curve } of this.#pulls) {
        for (const { name, quantity } of curve[kind]) offered.set(`${kind} ${name}`, { kind, name, quantity });
      }
    }
    const same = offered.size === this.#offered.size && [...offered.keys()].every((key) => this.#offered.has(key));
    // A list that is open stays as it is.
    if (same) return;
    this.#offered = offered;
    const select = byId("figure");
    const chosen = select.value;
    const options = (kind) => [...offered].filter(([, each]) => each.kind === kind)
      .map(([key, { name }]) => make("option", { value: key, selected: key === chosen }, words(name)));
    const groups = Object.entries(KINDS).map(([kind, label]) => make("optgroup", { label }, ...options(kind)));
    select.replaceChildren(...groups.filter((group) => group.children.length));
    byId("engine-shown").hidden = offered.size === 0;
    if (offered.size === 0 && this.#shown === "engine") {
      document.querySelector('input[name="shown"][value="torque"]').checked = true;
      this.#choose("torque");
    }
  }

  get #measure() {
    if (this.#shown !== "engine") return MEASURES[this.#shown];
    const { kind, name, quantity } = this.#offered.get(byId("figure").value);
    return figureMeasure(kind, name, quantity);
  }

  live(live) {
    const pulling = live.phase === "pulling";
    if (pulling && !this.#tracing) this.#trace.clear();
    this.#tracing = pulling;
    if (pulling) this.#point(live);
  }

  /** What the page has not seen of the pull under way, from the daemon's last minute. */
  fill(minute) {
    const before = minute.phase.findLastIndex((phase) => phase !== "pulling");
    for (let at = before + 1; at < minute.phase.length; at++) {
      this.#point(Object.fromEntries(Object.entries(minute).map(([name, column]) => [name, column[at]])));
    }
  }

  #point(live) {
    if (live.engine_rpm === null || live.torque_nm === null) return;
    const bin = Math.round(live.engine_rpm / BIN_RPM) * BIN_RPM;
    const half = live.torque_expanded_uncertainty_nm;
    const share = isNone(half) ? null : half / Math.max(1e-9, Math.abs(live.torque_nm));
    this.#trace.set(bin, { torque_nm: live.torque_nm, power_w: live.power_w, share });
    this.#dirty = true;
  }

  /** Draws what the pull under way added. */
  draw() {
    if (!this.#dirty) return;
    this.#dirty = false;
    this.#plot?.setData(this.#data(this.#measure));
  }

  #size() {
    const { clientWidth, clientHeight } = byId("curves");
    return { width: Math.max(160, clientWidth), height: Math.max(120, clientHeight) };
  }

  /** Earlier pulls, the newest with the ends of its 95 % interval, the pull under way with its own. */
  #data(measure) {
    const { quantity, values, halves, live } = measure;
    const shown = (si) => (isNone(si) ? null : this.#units.number(quantity, si));
    const table = ({ curve }) => [curve.rpm, values(curve).map(shown)];
    const tables = this.#pulls.slice(1).toReversed().map(table);
    if (this.#pulls.length) {
      const { curve } = this.#pulls[0];
      const [si, half] = [values(curve), halves(curve)];
      const end = (sign) => si.map((value, i) => (isNone(value) ? null : shown(value + sign * half[i])));
      tables.push([...table(this.#pulls[0]), end(1), end(-1)]);
    }
    const trace = live ? [...this.#trace].sort(([a], [b]) => a - b) : [];
    const liveEnd = (sign) => trace.map(([, value]) => (isNone(value.share) ? null : shown(value[live] + sign * value.share * Math.abs(value[live]))));
    tables.push([trace.map(([rpm]) => rpm), trace.map(([, value]) => shown(value[live])), liveEnd(1), liveEnd(-1)]);
    return uPlot.join(tables.map(([x, ...ys]) => (x.length ? [x, ...ys] : [[this.#stand.pull.start_rpm], ...ys.map(() => [null])])));
  }

  /** Makes the plot again: another set of pulls, other units, another appearance. */
  build() {
    const style = getComputedStyle(document.documentElement);
    const colour = (name) => style.getPropertyValue(name).trim();
    const font = `16px "Leverarm Sans", sans-serif`;
    const axis = { stroke: colour("--muted"), font, grid: { stroke: colour("--faint"), width: 1 }, ticks: { show: false } };
    const { start_rpm: low, end_rpm: high } = this.#stand.pull;
    const measure = this.#measure;
    const unit = this.#units.symbol(measure.quantity);
    const looks = this.#pulls.map((_, index) => ({ stroke: colour(`--c${index}`), dash: DASHES[index], width: index === 0 ? 3 : 2 }));
    const series = looks.toReversed().map((look) => ({ ...look, points: { show: false } }));
    const bands = [];
    if (looks.length) {
      const end = { points: { show: false } };
      bands.push({ series: [series.length + 1, series.length + 2], fill: `${looks[0].stroke}${BAND_OPACITY}` });
      series.push(end, end);
    }
    const liveEnd = { stroke: colour("--ink"), width: 1, points: { show: false }, spanGaps: true };
    bands.push({ series: [series.length + 2, series.length + 3], fill: `${colour("--ink")}${BAND_OPACITY}` });
    series.push({ stroke: colour("--ink"), width: 3, points: { show: false }, spanGaps: true }, liveEnd, liveEnd);
    this.#plot?.destroy();
    byId("curves").replaceChildren();
    this.#plot = new uPlot({
      ...this.#size(), legend: { show: false }, cursor: { show: false }, padding: [10, 14, 0, 0],
      scales: {
        x: { time: false, range: (_plot, least, most) => [Math.min(low, least ?? low), Math.max(high, most ?? high)] },
        y: { range: measure.range },
      },
      axes: [{ ...axis, size: 28, values: (_plot, splits) => splits.map((rpm) => numberText(rpm, 0)) },
        { ...axis, size: (_plot, texts) => Math.max(72, ...(texts ?? []).map((text) => 9 * text.length + 16)), values: (_plot, splits) => axisTexts(splits, unit) }],
      series: [{}, ...series], bands,
    }, this.#data(measure), byId("curves"));
    this.#key(measure, looks);
  }

  /** What a pull has to say of the measure: its peak, or its value where the newest pull has most power. */
  #told(measure, curve) {
    const { quantity, values, halves } = measure;
    if (measure.peak) {
      const [peak, at] = measure.peak(curve);
      return peak === null ? "" : `, ${this.#units.text(quantity, peak)} at ${numberText(at, 0)} rpm`;
    }
    const wanted = this.#pulls[0].curve.peak_power_rpm;
    const [si, half] = [values(curve), halves(curve)];
    const known = curve.rpm.map((rpm, i) => i).filter((i) => !isNone(si[i]));
    if (wanted === null || !known.length) return "";
    const off = (i) => Math.abs(curve.rpm[i] - wanted);
    const near = known.reduce((best, i) => (off(i) < off(best) ? i : best));
    const number = (value) => this.#units.number(quantity, value);
    const halfShown = number(si[near] + half[near]) - number(si[near]);
    const decimals = decimalsFor(halfShown);
    const value = numberText(number(si[near]), decimals);
    const unit = this.#units.symbol(quantity);
    return `, ${value} \u00b1 ${numberText(halfShown, decimals)}${unit ? ` ${unit}` : ""} at peak power (${numberText(curve.rpm[near], 0)} rpm)`;
  }

  #key(measure, looks) {
    const entries = this.#pulls.map(({ pull, curve }, index) => (
      { look: looks[index], text: `${pull.id}: ${pull.setup ?? "no setup"}${this.#told(measure, curve)}` }));
    const style = getComputedStyle(document.documentElement);
    const now = { look: { stroke: style.getPropertyValue("--ink").trim(), dash: [], width: 3 }, text: "under way: uncorrected, with its 95 % interval" };
    const lines = measure.live ? [...entries, now] : entries;
    byId("key").replaceChildren(...lines.map(({ look, text }) => make("li", {}, swatch(look), text)));
    const told = entries.map((entry) => entry.text).join("; ");
    byId("curves").setAttribute("aria-label", told ? `${measure.name} over engine speed. Pull ${told}` : "No pull yet");
  }
}

/** Texts of an axis's numbers, the last with the unit. */
export function axisTexts(splits, unit) {
  const step = splits.length > 1 ? splits[1] - splits[0] : 1;
  let decimals = 0;
  while (decimals < 4 && Math.abs(step * 10 ** decimals - Math.round(step * 10 ** decimals)) > 1e-6) decimals++;
  return splits.map((value, i) => numberText(value, decimals) + (unit && i === splits.length - 1 ? ` ${unit}` : ""));
}

export function swatch({ stroke, dash, width }) {
  const space = "http://www.w3.org/2000/svg";
  const svg = document.createElementNS(space, "svg");
  svg.setAttribute("viewBox", "0 0 36 12");
  svg.setAttribute("aria-hidden", "true");
  const line = document.createElementNS(space, "path");
  line.setAttribute("d", "M0 6H36");
  line.setAttribute("stroke", stroke);
  line.setAttribute("stroke-width", width);
  line.setAttribute("stroke-dasharray", dash.join(" "));
  svg.append(line);
  return svg;
}

/** Whether it is a pull of the engine that is over. */
export const hasCurve = ({ state }) => !["running", "tuning"].includes(state);

/** How it ended, where that is to be said: what a run for tuning is, its reason says. */
export const endingOf = ({ state }) => (["stored", "tuning"].includes(state) ? "" : state);

// Pauses before a curve is asked for again.
const RETRY_MS = [300, 1000, 3000];

/** Curves by pull, fetched once; an answer that there is none is kept too. */
export class Curves {
  #kept = new Map();
  #most;

  constructor(most = KEPT_CURVES) { this.#most = most; }

  async of(pull) {
    const key = `${pull.id} ${pull.state} ${JSON.stringify(pull.air)}`;
    if (this.#kept.has(key)) return this.#kept.get(key);
    const curve = await this.#asked(pull.id);
    if (curve === undefined) return null;
    this.#kept.set(key, curve);
    if (this.#kept.size > this.#most) this.#kept.delete(this.#kept.keys().next().value);
    return curve;
  }

  /** Null when there is none, undefined when the daemon does not answer: busy, or a curve that takes it long. */
  async #asked(id) {
    for (const pause of [...RETRY_MS, null]) {
      try {
        return await request(`/api/pulls/${id}/curve`);
      } catch (error) {
        if (error.status === 409 || error.status === 404) return null;
      }
      if (pause) await new Promise((resolve) => setTimeout(resolve, pause));
    }
    return undefined;
  }

  clear() { this.#kept.clear(); }
}
