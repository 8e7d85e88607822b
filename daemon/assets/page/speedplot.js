// Curves over engine speed that can be told apart, read at any speed, and looked at closely.

import { make, setText } from "./dom.js";
import { axisTexts, swatch } from "./chart.js";
import { numberText } from "./units.js";

/** Colour and dashes: eight looks, no two of the same dashes beside each other in hue. */
export const LOOKS = [
  ["--c0", []], ["--c1", [12, 5]], ["--c2", [3, 4]], ["--c3", [14, 4, 3, 4]],
  ["--c4", [7, 7]], ["--c5", [20, 5]], ["--c6", [8, 3, 2, 3, 2, 3]], ["--c7", [2, 8]],
];
export const CURVES_MAX = LOOKS.length;
const BAND_OPACITY = "2b";
const STEP_RPM = 50;
const ZOOM = 0.6;

const isNone = (value) => value === null || value === undefined || Number.isNaN(value);

export const lookOf = (place) => {
  const style = getComputedStyle(document.documentElement);
  const [name, dash] = LOOKS[place % LOOKS.length];
  return { stroke: style.getPropertyValue(name).trim(), dash, width: 3 };
};

/** `curves`: { label, short, place, rpm, values, halves?, widths? }, values in the unit shown, widths of the smallest feature in rpm;
    `zero` draws a line at zero. */
export class SpeedPlot {
  #place;
  #canvas;
  #readAt;
  #said;
  #key;
  #plot = null;
  #shown = { curves: [], unit: "", name: "", zero: false, decimals: 2 };
  #range = null;

  constructor(place, label) {
    this.#place = place;
    this.#canvas = make("div", { className: "speedplot", role: "img", "aria-label": label });
    this.#key = make("ul", { className: "key readout", "aria-label": `${label}: curves shown` });
    this.#readAt = make("input", { type: "range", step: STEP_RPM, "aria-label": `${label}: read at an engine speed` });
    this.#said = make("output", { className: "read-rpm" });
    const button = (text, name, act) => {
      const made = make("button", { type: "button", "aria-label": `${label}: ${name}` }, text);
      made.addEventListener("click", act);
      return made;
    };
    const zoom = make("div", { className: "zoom" }, button("\u2212", "wider", () => this.#zoom(1 / ZOOM)), button("+", "closer", () => this.#zoom(ZOOM)),
      button("All", "whole range", () => this.#setRange(null)));
    this.#readAt.addEventListener("input", () => this.#read(Number(this.#readAt.value), true));
    place.replaceChildren(this.#canvas, make("div", { className: "read-line" }, make("label", { className: "read-at" }, make("span", {}, "Read at"), this.#readAt), this.#said, zoom), this.#key);
    new ResizeObserver(() => this.#plot?.setSize(this.#size())).observe(this.#canvas);
  }

  show(shown) {
    const before = this.#ends();
    this.#shown = shown;
    const [low, high] = this.#ends();
    if (before[0] !== low || before[1] !== high) this.#range = null;
    this.#place.hidden = shown.curves.length === 0;
    Object.assign(this.#readAt, { min: Math.ceil(low / STEP_RPM) * STEP_RPM, max: Math.floor(high / STEP_RPM) * STEP_RPM });
    if (!this.#readAt.dataset.moved) this.#readAt.value = (low + high) / 2;
    this.build();
  }

  #ends() {
    const all = this.#shown.curves.flatMap(({ rpm }) => [rpm[0], rpm.at(-1)]).filter((rpm) => !isNone(rpm));
    return all.length ? [Math.min(...all), Math.max(...all)] : [0, 1];
  }

  #size() {
    const { clientWidth, clientHeight } = this.#canvas;
    return { width: Math.max(160, clientWidth), height: Math.max(140, clientHeight) };
  }

  #zoom(factor) {
    const [low, high] = this.#range ?? this.#ends();
    const middle = Number(this.#readAt.value);
    const half = 0.5 * factor * (high - low);
    const [least, most] = this.#ends();
    const centre = Math.min(Math.max(middle, least + half), most - half);
    this.#setRange(2 * half >= most - least || half < STEP_RPM ? (half < STEP_RPM ? this.#range : null) : [centre - half, centre + half]);
  }

  #setRange(range) {
    this.#range = range;
    const [min, max] = range ?? this.#ends();
    this.#plot?.setScale("x", { min, max });
  }

  /** Colours are read when the plot is made, so another appearance makes it again. */
  build() {
    this.#plot?.destroy();
    this.#plot = null;
    const { curves, unit, name, zero } = this.#shown;
    if (!curves.length || this.#place.closest("[hidden]")) return;
    const style = getComputedStyle(document.documentElement);
    const colour = (key) => style.getPropertyValue(key).trim();
    const font = `16px "Leverarm Sans", sans-serif`;
    const axis = { stroke: colour("--muted"), font, labelFont: font, grid: { stroke: colour("--faint"), width: 1 }, ticks: { show: false } };
    const series = [{}];
    const bands = [];
    const tables = curves.map(({ rpm, values, halves, place }) => {
      const look = lookOf(place);
      series.push({ ...look, points: { show: false } });
      if (!halves) return [rpm, values];
      const end = (sign) => values.map((value, i) => (isNone(value) || isNone(halves[i]) ? null : value + sign * halves[i]));
      bands.push({ series: [series.length, series.length + 1], fill: `${look.stroke}${BAND_OPACITY}` });
      const edge = { stroke: look.stroke, width: 1, points: { show: false } };
      series.push(edge, edge);
      return [rpm, values, end(1), end(-1)];
    });
    const range = (_plot, least, most) => {
      if (isNone(most)) return [0, 1];
      const room = 0.08 * (most - least || Math.abs(most) || 1);
      return zero ? [Math.min(0, least) - room, Math.max(0, most) + room] : [least - room, most + room];
    };
    this.#plot = new uPlot({
      ...this.#size(), legend: { show: false }, padding: [12, 44, 0, 0],
      cursor: { y: false, points: { show: false }, drag: { x: true, y: false } },
      scales: { x: { time: false, range: (_plot, least, most) => this.#range ?? (isNone(least) ? [0, 1] : [least, most]) }, y: { range } },
      axes: [{ ...axis, size: 30, space: 70, label: "engine speed, rpm", labelSize: 22, values: (_plot, splits) => splits.map((rpm) => numberText(rpm, 0)) },
        { ...axis, size: 64, label: unit ? `${name}, ${unit}` : name, labelSize: 24, values: (_plot, splits) => axisTexts(splits, "") }],
      series, bands,
      hooks: {
        draw: [(plot) => this.#marks(plot)],
        setCursor: [(plot) => {
          const { idx } = plot.cursor;
          if (!isNone(idx)) this.#read(plot.data[0][idx], false);
        }],
        setSelect: [(plot) => {
          if (plot.select.width > 8) this.#setRange([plot.posToVal(plot.select.left, "x"), plot.posToVal(plot.select.left + plot.select.width, "x")]);
        }],
      },
    }, uPlot.join(tables), this.#canvas);
    this.#read(Number(this.#readAt.value), false);
  }

  /** A line at zero, and at the end of each curve what it is. */
  #marks(plot) {
    const style = getComputedStyle(document.documentElement);
    const context = plot.ctx;
    const ratio = window.devicePixelRatio || 1;
    const { left, top, width, height } = plot.bbox;
    context.save();
    if (this.#shown.zero) {
      const y = plot.valToPos(0, "y", true);
      context.strokeStyle = style.getPropertyValue("--ink").trim();
      context.lineWidth = 2 * ratio;
      context.beginPath();
      context.moveTo(left, y);
      context.lineTo(left + width, y);
      context.stroke();
    }
    context.textAlign = "left";
    context.textBaseline = "middle";
    context.font = `${15 * ratio}px "Leverarm Sans", sans-serif`;
    const high = plot.scales.x.max;
    const ends = this.#shown.curves.filter(({ short }) => short).map((curve) => {
      let last = curve.rpm.length - 1;
      while (last >= 0 && (isNone(curve.values[last]) || curve.rpm[last] > high)) last--;
      return last < 0 ? null : { curve, y: plot.valToPos(curve.values[last], "y", true) };
    }).filter((end) => end && end.y > top - 1 && end.y < top + height + 1).sort((a, b) => a.y - b.y);
    let free = -Infinity;
    for (const { curve, y } of ends) {
      const at = Math.max(y, free);
      free = at + 17 * ratio;
      context.fillStyle = lookOf(curve.place).stroke;
      context.fillText(curve.short, left + width + 8 * ratio, at);
    }
    context.restore();
  }

  /** What all curves are at a speed. */
  #read(rpm, moved) {
    if (!isNone(rpm)) {
      this.#readAt.value = rpm;
      if (moved) this.#readAt.dataset.moved = "";
    }
    const { curves, unit, decimals } = this.#shown;
    const speed = `${numberText(Math.round(rpm), 0)} rpm`;
    const texts = curves.map((curve) => {
      const near = nearest(curve.rpm, rpm);
      const value = curve.values[near];
      if (isNone(value) || Math.abs(curve.rpm[near] - rpm) > STEP_RPM) return "\u2013";
      const half = curve.halves?.[near];
      const sign = this.#shown.zero && value > 0 ? "+" : "";
      const width = curve.widths?.[near];
      return `${sign}${numberText(value, decimals)}${isNone(half) ? "" : ` \u00b1 ${numberText(half, decimals)}`}${unit ? ` ${unit}` : ""}${isNone(width) ? "" : `, features from ${numberText(width, 0)} rpm`}`;
    });
    setText(this.#said, speed);
    this.#readAt.setAttribute("aria-valuetext", `${speed}: ${curves.map(({ label }, i) => `${label} ${texts[i]}`).join("; ")}`);
    this.#key.replaceChildren(...curves.map((curve, i) => make("li", {}, swatch(lookOf(curve.place)), make("span", {}, curve.label), make("strong", {}, texts[i]))));
    if (moved) {
      const left = this.#plot?.valToPos(rpm, "x");
      if (!isNone(left)) this.#plot.setCursor({ left, top: 10 }, false);
    }
  }
}

function nearest(sorted, wanted) {
  let best = 0;
  for (let i = 1; i < sorted.length; i++) if (Math.abs(sorted[i] - wanted) < Math.abs(sorted[best] - wanted)) best = i;
  return best;
}
