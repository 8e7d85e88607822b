// The large figures and the rows below them.

import { byId, make, setData, setText } from "./dom.js";
import { numberText } from "./units.js";

const NONE = "\u2013";
// A calm display: the last digit of a speed says nothing at three metres.
const SPEED_STEP_RPM = 10;
// A channel that usually comes every 250 ms is old long before one that comes every two seconds.
const OLD_MS = 500;
// Of torque or power, in the large size.
const FITS_CHARS = 4;
const OLD_MS_MAX = 5000;

export class Figures {
  #stand;
  #units;
  #rows = [];
  #intervals = [];
  #seen = [];

  constructor(stand, units) {
    this.#stand = stand;
    this.#units = units;
    const row = (name) => {
      const value = make("output");
      const unit = make("span", { className: "unit" });
      const row = make("div", {}, make("dt", {}, name), make("dd", {}, value, unit));
      return { row, value, unit };
    };
    this.#rows = [row("Drum speed")];
    if (stand.load_cell) this.#rows.push(row("Load"));
    this.#rows.push(...stand.channels.map((channel) => row(channel.name)));
    byId("channels").replaceChildren(...this.#rows.map((each) => each.row));
  }

  show(live) {
    const units = this.#units;
    setText(byId("engine-speed"), speed(live.engine_rpm));
    setText(byId("torque"), live.torque_nm === null ? NONE : units.digits("torque", live.torque_nm));
    setText(byId("power"), live.power_w === null ? NONE : threeDigits(units.number("power", live.power_w)));
    for (const id of ["torque", "power"]) setData(byId(id), "wide", byId(id).shown.length > FITS_CHARS);
    let at = 0;
    put(this.#rows[at++], speed(live.drum_rpm), "rpm");
    if (this.#stand.load_cell) {
      put(this.#rows[at++], live.force_n === null ? NONE : units.digits("force", live.force_n), units.symbol("force"));
    }
    live.channels.forEach((channel, index) => {
      const quantity = this.#stand.channels[index]?.quantity;
      const row = this.#rows[at + index];
      if (!row) return;
      const lost = channel.lost !== null;
      row.row.classList.toggle("lost", lost);
      row.row.classList.toggle("old", !lost && this.#isOld(index, channel.age_ms));
      if (lost) put(row, channel.lost, "");
      else if (channel.value_si === null) put(row, NONE, "");
      else put(row, units.digits(quantity, channel.value_si), units.symbol(quantity));
    });
  }

  /** Learns how often a channel comes from how old it gets before it is new again. */
  #isOld(index, ageMs) {
    // A meter that gives pulses is silent without flow.
    if (ageMs === null || this.#stand.channels[index]?.pulses) return false;
    const before = this.#seen[index] ?? 0;
    if (ageMs < before) this.#intervals[index] = Math.max(before, 0.9 * (this.#intervals[index] ?? 0));
    this.#seen[index] = ageMs;
    const interval = this.#intervals[index] ?? 0;
    return ageMs > Math.min(OLD_MS_MAX, Math.max(OLD_MS, 2.5 * interval));
  }
}

function speed(rpm) {
  return rpm === null ? NONE : numberText(Math.round(rpm / SPEED_STEP_RPM) * SPEED_STEP_RPM, 0);
}

/** Of a value that is rough anyway, and that has to fit beside another one; a sign takes its place too. */
function threeDigits(value) {
  return numberText(value, value > -0.005 && value < 9.995 ? 2 : 1);
}

function put(row, value, unit) {
  setText(row.value, value);
  setText(row.unit, unit);
}
