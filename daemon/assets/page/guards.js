// Guards: each a beam with a weight that slides towards its stop.

import { byId, make, setText } from "./dom.js";

const NEAR = 0.9;

export class Guards {
  #stand;
  #units;
  #rows;

  constructor(stand, units) {
    this.#stand = stand;
    this.#units = units;
    this.#rows = stand.guards.map((guard) => {
      const weight = make("i");
      const beam = make("div", { className: "beam", role: "meter", "aria-label": `${guard.name}, share of its limit`,
        "aria-valuemin": "0", "aria-valuemax": "100", "aria-valuenow": "0" }, weight);
      const reading = make("span", { className: "reading" });
      const does = make("span", { className: "does" }, guard.cuts ? "cuts" : "warns");
      const row = make("li", {}, make("span", { className: "name" }, guard.name), beam, reading, does);
      return { row, beam, weight, reading, per: -1 };
    });
    byId("guards").replaceChildren(...this.#rows.map((each) => each.row));
  }

  show(live) {
    live.guards.forEach((guard, index) => {
      const row = this.#rows[index];
      const told = this.#stand.guards[index];
      if (!row || !told) return;
      const known = guard.nearness !== null;
      row.row.classList.toggle("tripped", guard.tripped);
      row.row.classList.toggle("off", !guard.watching && !guard.tripped);
      row.row.classList.toggle("near", !guard.tripped && known && guard.nearness >= NEAR);
      row.beam.classList.toggle("blind", !known);
      const per = Math.round(100 * Math.min(1, guard.nearness ?? 0));
      if (per !== row.per) {
        row.per = per;
        row.weight.style.left = `calc(${per}% - ${((0.875 * per) / 100).toFixed(3)}rem)`;
        row.beam.setAttribute("aria-valuenow", per);
      }
      const valueText = this.#reading(guard, told);
      setText(row.reading, valueText);
      if (row.told !== valueText && !known) row.beam.setAttribute("aria-valuetext", (row.told = valueText));
    });
  }

  #reading(guard, { quantity, limit_si: limit, below }) {
    const units = this.#units;
    if (!guard.watching && !guard.tripped) return "not watching: no pull";
    if (quantity === null || limit === null) return guard.tripped ? "lost" : "in order";
    const at = guard.value_si === null ? "no value" : units.digits(quantity, guard.value_si);
    return `${at} ${below ? "above" : "of"} ${units.text(quantity, limit)}`;
  }
}
