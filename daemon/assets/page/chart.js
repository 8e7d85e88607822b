// The last pulls over engine speed, and the one under way on top of them.

import { byId, make } from "./dom.js";
import { request } from "./api.js";
import { numberText } from "./units.js";

const SHOWN = 4;
const BIN_RPM = 50;
const KEPT_CURVES = 12;
const DASHES = [[], [10, 4], [3, 3], [12, 4, 3, 4], [6, 6]];
const MEASURES = {
  torque: { column: "torque_nm", live: "torque_nm", peak: "peak_torque", value: "peak_torque_nm", at: "peak_torque_rpm" },
  power: { column: "power_w", live: "power_w", value: "peak_power_w", at: "peak_power_rpm" },
};

export class Chart {
  #units;
  #stand;
  #shown = "torque";
  #curves = new Map();
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
      input.addEventListener("change", () => { this.#shown = input.value; this.build(); });
    }
    this.build();
    new ResizeObserver(() => this.#plot?.setSize(this.#size())).observe(byId("curves"));
  }

  /** The pulls that there are, newest first; their curves are fetched one after the other. */
  async pulls(pulls, curveOf) {
    const wanted = pulls.filter((pull) => pull.state !== "running").slice(0, SHOWN);
    const found = [];
    for (const pull of wanted) {
      const curve = await curveOf(pull);
      if (curve) found.push({ pull, curve });
    }
    const newest = found[0]?.pull.id;
    if (newest !== this.#pulls[0]?.pull.id && !this.#tracing) this.#trace.clear();
    this.#pulls = found;
    this.build();
  }

  live(live) {
    const pulling = live.phase === "pulling";
    if (pulling && !this.#tracing) this.#trace.clear();
    this.#tracing = pulling;
    if (pulling && live.engine_rpm !== null && live.torque_nm !== null) {
      const bin = Math.round(live.engine_rpm / BIN_RPM) * BIN_RPM;
      this.#trace.set(bin, { torque_nm: live.torque_nm, power_w: live.power_w });
      this.#dirty = true;
    }
  }

  /** Draws what the pull under way added. */
  draw() {
    if (!this.#dirty) return;
    this.#dirty = false;
    this.#plot?.setData(this.#data());
  }

  #size() {
    const { clientWidth, clientHeight } = byId("curves");
    return { width: Math.max(160, clientWidth), height: Math.max(120, clientHeight) };
  }

  #data() {
    const { column, live } = MEASURES[this.#shown];
    const shown = (si) => (si === null || si === undefined ? null : this.#units.number(this.#shown, si));
    const tables = this.#pulls.toReversed().map(({ curve }) => [curve.rpm, curve[column].map(shown)]);
    const trace = [...this.#trace].sort(([a], [b]) => a - b);
    tables.push([trace.map(([rpm]) => rpm), trace.map(([, value]) => shown(value[live]))]);
    return uPlot.join(tables.map(([x, y]) => (x.length ? [x, y] : [[this.#stand.pull.start_rpm], [null]])));
  }

  /** Makes the plot anew: another set of pulls, other units, another appearance. */
  build() {
    const style = getComputedStyle(document.documentElement);
    const colour = (name) => style.getPropertyValue(name).trim();
    const font = `16px "Leverarm Sans", sans-serif`;
    const axis = { stroke: colour("--muted"), font, grid: { stroke: colour("--faint"), width: 1 }, ticks: { show: false } };
    const { start_rpm: low, end_rpm: high } = this.#stand.pull;
    const unit = this.#units.symbol(this.#shown);
    const looks = this.#pulls.map((_, index) => ({ stroke: colour(`--c${index}`), dash: DASHES[index], width: index === 0 ? 3 : 2 }));
    const series = looks.toReversed().map((look) => ({ ...look, points: { show: false } }));
    series.push({ stroke: colour("--ink"), width: 5, points: { show: false }, spanGaps: true });
    this.#plot?.destroy();
    byId("curves").replaceChildren();
    this.#plot = new uPlot({
      ...this.#size(), legend: { show: false }, cursor: { show: false }, padding: [10, 14, 0, 0],
      scales: {
        x: { time: false, range: (_plot, least, most) => [Math.min(low, least ?? low), Math.max(high, most ?? high)] },
        y: { range: (_plot, least, most) => (most === null || most === undefined ? [0, 1] : [Math.min(0, least), 1.08 * Math.max(most, 1e-3)]) },
      },
      axes: [{ ...axis, size: 28, values: (_plot, splits) => splits.map((rpm) => numberText(rpm, 0)) },
        { ...axis, size: 72, values: (_plot, splits) => splits.map((v, i) => numberText(v, splits.some((s) => s % 1) ? 1 : 0) + (i === splits.length - 1 ? ` ${unit}` : "")) }],
      series: [{}, ...series],
    }, this.#data(), byId("curves"));
    this.#key(looks);
  }

  #key(looks) {
    const { value, at } = MEASURES[this.#shown];
    const entries = this.#pulls.map(({ pull, curve }, index) => {
      const peak = curve[value] === null ? "" : `, ${this.#units.text(this.#shown, curve[value])} at ${numberText(curve[at], 0)} rpm`;
      return { look: looks[index], text: `${pull.id}: ${pull.setup ?? "no setup"}${peak}` };
    });
    const style = getComputedStyle(document.documentElement);
    const now = { look: { stroke: style.getPropertyValue("--ink").trim(), dash: [], width: 5 }, text: "under way: rough, uncorrected" };
    byId("key").replaceChildren(...[...entries, now].map(({ look, text }) => make("li", {}, swatch(look), text)));
    const told = entries.map((entry) => entry.text).join("; ");
    byId("curves").setAttribute("aria-label", told ? `${this.#shown} over engine speed. Pull ${told}` : "No pull yet");
  }
}

function swatch({ stroke, dash, width }) {
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

/** Curves by pull, fetched once; an answer that there is none is kept too. */
export class Curves {
  #kept = new Map();

  async of(pull) {
    const key = `${pull.id} ${pull.state} ${JSON.stringify(pull.air)}`;
    if (!this.#kept.has(key)) {
      try {
        this.#kept.set(key, await request(`/api/pulls/${pull.id}/curve`));
      } catch (error) {
        // No answer may be answered yet; a pull without a curve stays without.
        if (error.status === 409 || error.status === 404) this.#kept.set(key, { error: error.message });
        else return null;
      }
      if (this.#kept.size > KEPT_CURVES) this.#kept.delete(this.#kept.keys().next().value);
    }
    const kept = this.#kept.get(key);
    return kept.error ? null : kept;
  }

  clear() { this.#kept.clear(); }
}
