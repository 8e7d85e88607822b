// SI values in the units that a person chose. The factors come from the daemon.

import { byId, kept, make } from "./dom.js";

export const RAD_PER_S_PER_RPM = Math.PI / 30;

const NAMES = { si: "SI", us: "US", stand: "Stand" };
const DECIMALS = { torque: 1, power: 2, rotation: 0, duration: 2, temperature: 0, fraction: 0, number: 2,
  voltage: 2, force: 1, length: 1, speed: 1, mass_flow: 1, volume_flow: 1, mass: 3 };
// Below this size of unit one decimal more is worth showing.
const FINE = { pressure: { hPa: 0 } };

/** A number with a narrow space between thousands, from 10 000 on. */
export function numberText(value, decimals) {
  const text = Math.abs(value).toFixed(decimals);
  const [whole, part] = text.split(".");
  const spaced = whole.length > 4 ? whole.replace(/\B(?=(\d{3})+$)/g, "\u202f") : whole;
  const sign = value < 0 && Number(text) !== 0 ? "\u2212" : "";
  return sign + spaced + (part ? `.${part}` : "");
}

export class Units {
  #systems;
  #units;
  #listeners = [];

  constructor(systems) {
    this.#systems = systems;
    const offered = systems.own === "stand" ? ["stand", "si", "us"] : ["si", "us"];
    const wished = kept.get("units");
    const chosen = offered.includes(wished) ? wished : systems.own;
    const switches = offered.map((name) => {
      const input = make("input", { type: "radio", name: "units", value: name, checked: name === chosen });
      input.addEventListener("change", () => { kept.set("units", name); this.#choose(name); });
      return make("label", {}, input, make("span", {}, NAMES[name]));
    });
    const field = byId("units");
    field.replaceChildren(field.querySelector("legend"), ...switches);
    this.#choose(chosen);
  }

  #choose(name) {
    this.#units = this.#systems[name];
    for (const node of document.querySelectorAll("[data-unit]")) node.textContent = this.symbol(node.dataset.unit);
    for (const listener of this.#listeners) listener();
  }

  onChange(listener) { this.#listeners.push(listener); }

  symbol(quantity) { return this.#units[quantity]?.symbol ?? ""; }

  number(quantity, si) {
    const unit = this.#units[quantity];
    return unit ? (si - unit.zero_si) / unit.si_per_unit : si;
  }

  /** Back to SI; NaN where it is no number. */
  si(quantity, text) {
    const unit = this.#units[quantity];
    return parse(text) * unit.si_per_unit + unit.zero_si;
  }

  differenceSi(quantity, text) { return parse(text) * this.#units[quantity].si_per_unit; }

  decimals(quantity) {
    const symbol = this.symbol(quantity);
    return FINE[quantity]?.[symbol] ?? DECIMALS[quantity] ?? 2;
  }

  digits(quantity, si) { return numberText(this.number(quantity, si), this.decimals(quantity)); }

  text(quantity, si) {
    const symbol = this.symbol(quantity);
    return symbol ? `${this.digits(quantity, si)} ${symbol}` : this.digits(quantity, si);
  }
}

function parse(text) {
  const trimmed = String(text).trim().replace(",", ".").replace("\u2212", "-");
  return trimmed === "" ? NaN : Number(trimmed);
}
