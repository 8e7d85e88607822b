// Engine speed over the last minute, gaps and all. A ring of fixed size: it never grows.

import { byId } from "./dom.js";
import { numberText } from "./units.js";

const SPAN_S = 60;
const POINTS = 600;
const EVERY_S = SPAN_S / POINTS;
const GAP_S = 0.5;

export class Strip {
  #times = [];
  #speeds = [];
  #plot = null;
  #end = { monoS: 0, at: 0 };
  #tickRpm;
  #label = "";

  constructor(stand) {
    this.#tickRpm = stand.pull.end_rpm > 6000 ? 5000 : 1000;
    this.build();
    new ResizeObserver(() => this.#fit()).observe(byId("strip"));
    setInterval(() => this.#draw(), 100);
  }

  /** Colours are read when the plot is made, so another appearance makes it again. */
  build() {
    const style = getComputedStyle(document.documentElement);
    const colour = (name) => style.getPropertyValue(name).trim();
    const font = `14px "Leverarm Sans", sans-serif`;
    const axis = { stroke: colour("--muted"), font, grid: { stroke: colour("--faint"), width: 1 }, ticks: { show: false } };
    this.#plot?.destroy();
    const { width, height } = this.#size();
    const options = {
      width, height, legend: { show: false }, cursor: { show: false }, padding: [8, 18, 0, 0],
      scales: { x: { time: false, range: () => [-SPAN_S, 0] }, y: { range: (_plot, _low, high) => [0, Math.max(2 * this.#tickRpm, high ?? 0)] } },
      axes: [{ ...axis, size: 22, splits: () => [-60, -45, -30, -15, 0], values: (_plot, splits) => splits.map((s) => (s === 0 ? "now" : `${s} s`.replace("-", "\u2212"))) },
        { ...axis, size: 58, incrs: [this.#tickRpm, 2 * this.#tickRpm], values: (_plot, splits) => splits.map((rpm) => numberText(rpm, 0)) }],
      series: [{}, { stroke: colour("--ink"), width: 2, points: { show: false }, spanGaps: false }],
      hooks: { draw: [(plot) => this.#gaps(plot, colour("--muted"), colour("--raised"))] },
    };
    this.#plot = new uPlot(options, [[], []], byId("strip"));
    this.#draw();
  }

  #size() {
    const { clientWidth, clientHeight } = byId("strip");
    return { width: Math.max(120, clientWidth), height: Math.max(40, clientHeight) };
  }

  #fit() { this.#plot?.setSize(this.#size()); }

  /** The daemon was started again: its time begins again, and the minute with it. */
  restart(monoUs) {
    const shift = monoUs * 1e-6 - this.#nowS();
    this.#times = this.#times.map((time) => time + shift);
    this.#end = { monoS: monoUs * 1e-6, at: performance.now() };
  }

  push(live) {
    const monoS = live.mono_us * 1e-6;
    this.#end = { monoS, at: performance.now() };
    const last = this.#times.at(-1);
    if (last !== undefined && monoS - last < EVERY_S) return;
    if (last !== undefined && monoS - last > GAP_S) this.#keep(last + EVERY_S, null);
    this.#keep(monoS, live.engine_rpm ?? null);
  }

  /** The daemon's last minute: what this page has not seen. What it saw of an earlier run stays before it. */
  fill({ mono_us: monoUs, engine_rpm: speeds }) {
    if (!monoUs.length) return;
    const [first, last] = [monoUs[0] * 1e-6, monoUs.at(-1) * 1e-6];
    const seen = this.#times.map((time, i) => [time, this.#speeds[i]]);
    const points = [...seen.filter(([time]) => time < first), ...monoUs.map((us, i) => [us * 1e-6, speeds[i]]), ...seen.filter(([time]) => time > last)];
    [this.#times, this.#speeds] = [[], []];
    for (const [time, speed] of points) {
      const before = this.#times.at(-1);
      if (before !== undefined && time - before > GAP_S && this.#speeds.at(-1) !== null) this.#keep(before + EVERY_S, null);
      this.#keep(time, speed);
    }
  }

  #keep(time, speed) {
    this.#times.push(time);
    this.#speeds.push(speed);
    if (this.#times.length > POINTS) {
      this.#times.shift();
      this.#speeds.shift();
    }
  }

  #nowS() { return this.#end.monoS + (performance.now() - this.#end.at) / 1000; }

  #draw() {
    if (document.visibilityState !== "visible" || !this.#plot) return;
    const now = this.#nowS();
    this.#plot.setData([this.#times.map((time) => time - now), this.#speeds]);
  }

  /** Time without data is hatched and says how long it is. */
  #gaps(plot, ink, ground) {
    const now = this.#nowS();
    const times = this.#times;
    const { left, top, width, height } = plot.bbox;
    const ratio = window.devicePixelRatio || 1;
    const context = plot.ctx;
    context.save();
    context.beginPath();
    context.rect(left, top, width, height);
    context.clip();
    const told = [];
    for (let index = 0; index < times.length; index++) {
      const next = times[index + 1] ?? now;
      if (this.#speeds[index] === null && index + 1 < times.length && times[index + 1] - times[index] <= GAP_S) continue;
      if (next - times[index] <= GAP_S) continue;
      const from = Math.max(left, plot.valToPos(times[index] - now, "x", true));
      const to = Math.min(left + width, plot.valToPos(next - now, "x", true));
      if (to <= left) continue;
      told.push(`no data for ${Math.round(next - times[index])} s`);
      context.fillStyle = ground;
      context.fillRect(from, top, to - from, height);
      context.strokeStyle = ink;
      context.lineWidth = ratio;
      context.beginPath();
      for (let x = from - height; x < to; x += 8 * ratio) {
        context.moveTo(Math.max(from, x), top + height - Math.max(0, from - x));
        const end = Math.min(to, x + height);
        context.lineTo(end, top + height - (end - x));
      }
      context.globalAlpha = 0.35;
      context.stroke();
      context.globalAlpha = 1;
      const text = `no data ${(next - times[index]).toFixed(1)} s`;
      context.font = `${14 * ratio}px "Leverarm Sans", sans-serif`;
      const wide = context.measureText(text).width;
      if (wide + 12 * ratio < to - from) {
        const x = (from + to - wide) / 2;
        context.fillStyle = ground;
        context.fillRect(x - 6 * ratio, top + height / 2 - 11 * ratio, wide + 12 * ratio, 22 * ratio);
        context.fillStyle = ink;
        context.fillText(text, x, top + height / 2 + 5 * ratio);
      }
    }
    context.restore();
    const label = ["Engine speed over the last minute", ...told].join("; ");
    if (label !== this.#label) byId("strip").setAttribute("aria-label", (this.#label = label));
  }
}
