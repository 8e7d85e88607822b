// All pulls: which there are, how they compare at a glance, and a person's word on each.

import { byId, kept, make, setData, setText } from "./dom.js";
import { request } from "./api.js";
import { Curves, endingOf, hasCurve, swatch } from "./chart.js";
import { download } from "./download.js";
import { noteForm, onSubmit } from "./forms.js";
import { CURVES_MAX, SpeedPlot, lookOf } from "./speedplot.js";
import { numberText } from "./units.js";

const PAGE = 50;
const KEPT_CURVES = 300;
const TICKED_AT_FIRST = 4;
/** With a 95 % interval below this, in the unit shown, a hundredth says something. */
const HUNDREDTHS_BELOW = 0.5;
const MEASURES = {
  torque: { quantity: "torque", values: (curve) => curve.torque_nm, halves: (curve) => curve.expanded_uncertainty_nm },
  power: { quantity: "power", values: (curve) => curve.power_w,
    halves: (curve) => curve.expanded_uncertainty_nm.map((half, i) => (half === null ? null : (half * curve.rpm[i] * Math.PI) / 30)) },
};

const when = (us) => new Date(us / 1000).toLocaleString([], { dateStyle: "medium", timeStyle: "short", hour12: false });
/** The first microsecond of a day here, days later; null where none is chosen. */
function dayUs(text, later = 0) {
  if (!text) return null;
  const [year, month, day] = text.split("-").map(Number);
  return Math.round(new Date(year, month - 1, day + later).getTime() * 1000);
}

export class Pulls {
  #units;
  #plot = new SpeedPlot(byId("pulls-plot"), "Pulls");
  #curves = new Curves(KEPT_CURVES);
  #open = false;
  #stored = null;
  #shown = null;
  #setups = "";
  #pulls = [];
  /** Where each page before this one begins. */
  #before = [null];
  /** Pulls in the graph, with the place of their colour. */
  #ticked = new Map();
  #touched = false;
  #chosen = null;
  #busy = false;
  #again = false;

  constructor(units, views) {
    this.#units = units;
    const filter = byId("pulls-filter");
    filter.addEventListener("submit", (event) => event.preventDefault());
    filter.addEventListener("change", () => this.#restart());
    byId("pulls-all").addEventListener("click", () => { filter.reset(); this.#restart(); });
    byId("pulls-older").addEventListener("click", () => { this.#before.push(this.#pulls.at(-1).id); this.#turn(); });
    byId("pulls-newer").addEventListener("click", () => { this.#before.pop(); this.#turn(); });
    byId("pulls-none-ticked").addEventListener("click", () => { this.#touched = true; this.#ticked.clear(); this.#rows(); this.#draw(); });
    for (const input of document.querySelectorAll('input[name="pulls-measure"]')) input.addEventListener("change", () => this.#draw());
    const said = (text, bad) => { setText(byId("pulls-said"), text); setData(byId("pulls-said"), "bad", bad); };
    for (const button of byId("pulls-files").querySelectorAll("button")) {
      button.addEventListener("click", () => {
        const pulls = [...this.#ticked.keys()].sort((a, b) => a - b);
        if (pulls.length) download(button, "/api/export", { pulls, format: button.value }, said);
        else said("Tick the pulls first.", true);
      });
    }
    this.#forms();
    units.onChange(() => { if (this.#open) { this.#rows(); this.#draw(); } });
    views.onOpen((view) => {
      this.#open = view === "pulls-view";
      if (this.#open) this.#fetch();
    });
  }

  /** The store has something new. */
  stored(stored) {
    this.#stored = stored;
    if (this.#open && (stored.pulls !== this.#shown?.pulls || stored.setups !== this.#shown?.setups)) this.#fetch();
  }

  restart() {
    this.#curves.clear();
    this.#shown = null;
  }

  build() { this.#plot.build(); }

  #restart() {
    this.#before = [null];
    this.#fetch();
  }

  async #turn() {
    await this.#fetch();
    byId("pulls-table").scrollIntoView({ block: "nearest" });
  }

  /** One request after the other: what comes while one is under way is looked at after it. */
  async #fetch() {
    this.#again = true;
    if (this.#busy) return;
    this.#busy = true;
    while (this.#again && this.#open) {
      this.#again = false;
      this.#shown = this.#stored;
      try {
        await this.#list();
      } catch (error) {
        setText(byId("pulls-count"), `The pulls can't be read: ${error.message}`);
      }
    }
    this.#busy = false;
  }

  async #list() {
    this.#names((await request("/api/setups")).setups.map(({ name }) => name));
    const chosen = new FormData(byId("pulls-filter"));
    const query = new URLSearchParams({ limit: PAGE });
    const put = (key, value) => { if (value !== null && value !== "") query.set(key, value); };
    put("setup", chosen.get("setup"));
    put("since_wall_us", dayUs(chosen.get("from")));
    put("until_wall_us", dayUs(chosen.get("to"), 1));
    put("before", this.#before.at(-1));
    const { pulls, more, fitting } = await request(`/api/pulls?${query}`);
    this.#pulls = pulls;
    for (const pull of pulls) if (this.#ticked.has(pull.id)) this.#ticked.get(pull.id).pull = pull;
    const from = (this.#before.length - 1) * PAGE;
    setText(byId("pulls-count"), pulls.length ? `${from + 1} to ${from + pulls.length} of ${fitting}` : fitting ? "No older ones" : "No pull fits.");
    byId("pulls-older").disabled = !more;
    byId("pulls-newer").disabled = this.#before.length < 2;
    if (!this.#touched) {
      this.#ticked.clear();
      for (const pull of pulls.filter(({ state, excluded }) => state === "stored" && !excluded).slice(0, TICKED_AT_FIRST)) this.#tick(pull);
    }
    this.#rows();
    if (this.#chosen !== null) this.#detail(pulls.find(({ id }) => id === this.#chosen));
    await this.#draw();
    await this.#peaks();
  }

  #names(names) {
    const key = names.join("\n");
    if (key === this.#setups) return;
    this.#setups = key;
    const fill = (select, first) => {
      const chosen = select.value;
      select.replaceChildren(...first, ...names.toReversed().map((name) => make("option", { value: name }, name)));
      select.value = names.includes(chosen) ? chosen : select.options[0]?.value ?? "";
    };
    fill(byId("pulls-filter").elements.setup, [make("option", { value: "" }, "any")]);
    fill(byId("pull-setup").elements.setup, []);
  }

  #tick(pull) {
    const taken = new Set([...this.#ticked.values()].map(({ place }) => place));
    if (taken.size >= CURVES_MAX) return false;
    let place = 0;
    while (taken.has(place)) place++;
    this.#ticked.set(pull.id, { pull, place });
    return true;
  }

  #rows() {
    const focused = document.activeElement?.closest("#pulls-rows") ? document.activeElement.id : null;
    byId("pulls-rows").replaceChildren(...this.#pulls.map((pull) => this.#row(pull)));
    for (const cell of byId("pulls-rows").querySelectorAll("[data-peak]")) this.#peak(cell);
    if (focused) byId(focused)?.focus();
  }

  #row(pull) {
    const ticked = this.#ticked.get(pull.id);
    const box = make("input", { type: "checkbox", id: `tick-${pull.id}`, checked: Boolean(ticked), disabled: !hasCurve(pull), "aria-label": `Show pull ${pull.id} in the graph` });
    box.addEventListener("change", () => {
      this.#touched = true;
      if (!box.checked) this.#ticked.delete(pull.id);
      else if (!this.#tick(pull)) {
        box.checked = false;
        setText(byId("pulls-said"), `The graph shows ${CURVES_MAX} pulls at most: take a tick away first.`);
      }
      this.#rows();
      this.#draw();
    });
    const change = make("button", { type: "button", id: `change-${pull.id}`, "aria-label": `Change or save pull ${pull.id}` }, "Change\u2026");
    change.addEventListener("click", () => {
      this.#chosen = pull.id;
      this.#detail(pull);
      byId("pull-detail").focus();
      byId("pull-detail").scrollIntoView({ block: "nearest" });
    });
    const row = make("tr", {},
      make("td", { className: "tick" }, make("label", {}, box, ticked ? swatch(lookOf(ticked.place)) : "")),
      make("th", { scope: "row" }, String(pull.id)),
      make("td", {}, change),
      make("td", {}, when(pull.started_wall_us)),
      make("td", {}, pull.setup ?? "none"),
      this.#peakCell(pull, "torque"), this.#peakCell(pull, "power"),
      make("td", { className: "words" }, this.#words(pull)));
    if (pull.excluded || pull.state !== "stored") row.dataset.out = "";
    if (pull.id === this.#chosen) row.setAttribute("aria-current", "true");
    return row;
  }

  /** A curve without a peak has no trustworthy point, and its first remark says why. */
  #words(pull) {
    const curve = this.#known.get(pull.id);
    const words = [endingOf(pull), pull.excluded ? `left out: ${pull.excluded.reason}` : "",
      pull.setup_corrected ? `setup put right, was ${pull.setup_corrected.recorded ?? "none"}` : "", ...pull.reasons,
      curve?.peak_torque_nm === null ? curve.remarks[0] : "", curve?.cycles?.misfires.length ? curve.said.find((line) => line.startsWith("misfires")) : "", pull.note];
    return [...new Set(words)].filter(Boolean).join("; ");
  }

  #peakCell(pull, measure) {
    const cell = make("td", { className: "peak" });
    Object.assign(cell.dataset, { peak: measure, pull: pull.id });
    return cell;
  }

  #known = new Map();

  #peak(cell) {
    const curve = this.#known.get(Number(cell.dataset.pull));
    setText(cell, curve === undefined ? "" : curve === null ? "\u2013" : this.#peakText(cell.dataset.peak, curve));
  }

  /** As many digits as its uncertainty is worth. */
  #peakText(measure, curve) {
    const [value, at] = measure === "torque" ? [curve.peak_torque_nm, curve.peak_torque_rpm] : [curve.peak_power_w, curve.peak_power_rpm];
    if (value === null) return "\u2013";
    const { quantity, halves } = MEASURES[measure];
    const units = this.#units;
    const half = halves(curve)[curve.rpm.findIndex((rpm) => rpm >= at)] ?? 0;
    const decimals = units.number(quantity, value + half) - units.number(quantity, value) < HUNDREDTHS_BELOW ? 2 : 1;
    return `${numberText(units.number(quantity, value), decimals)} ${units.symbol(quantity)} at ${numberText(at, 0)}`;
  }

  async #curve(pull) {
    const curve = hasCurve(pull) ? await this.#curves.of(pull) : null;
    this.#known.set(pull.id, curve);
    return curve;
  }

  /** Curves take their time: the rows are there before their peaks. */
  async #peaks() {
    for (const pull of this.#pulls) {
      if (this.#again || !this.#open) return;
      await this.#curve(pull);
      for (const cell of byId("pulls-rows").querySelectorAll(`[data-pull="${pull.id}"]`)) this.#peak(cell);
      const row = byId(`change-${pull.id}`)?.closest("tr");
      if (row) setText(row.querySelector(".words"), this.#words(pull));
    }
  }

  async #draw() {
    const name = document.querySelector('input[name="pulls-measure"]:checked').value;
    const { quantity, values, halves } = MEASURES[name];
    const shown = [];
    for (const { pull, place } of [...this.#ticked.values()].sort((a, b) => a.pull.id - b.pull.id)) {
      const curve = await this.#curve(pull);
      if (curve) shown.push({ pull, place, curve });
    }
    if (shown.some(({ pull }) => !this.#ticked.has(pull.id))) return; // Another tick has come meanwhile.
    const units = this.#units;
    const unit = (si) => (si === null ? null : units.number(quantity, si));
    const span = (half) => (half === null ? null : units.number(quantity, half) - units.number(quantity, 0));
    const alone = shown.length === 1;
    this.#plot.show({
      name, unit: units.symbol(quantity), decimals: 2, zero: false,
      curves: shown.map(({ pull, place, curve }) => ({ label: `${pull.id}: ${pull.setup ?? "no setup"}`, short: String(pull.id), place, rpm: curve.rpm,
        values: values(curve).map(unit), halves: alone ? halves(curve).map(span) : undefined, widths: curve.resolution_rpm })),
    });
    setText(byId("pulls-hint"), shown.length ? "" : "Tick pulls in the table to see them here.");
  }

  #forms() {
    const said = byId("pull-said");
    const path = (what) => `/api/pulls/${this.#chosen}/${what}`;
    onSubmit(byId("pull-exclude"), (data) => ({ path: path("exclusion"), value: { reason: data.get("reason").trim(), by: this.#by() } }), said);
    onSubmit(byId("pull-include"), () => ({ path: path("exclusion"), value: { reason: null, by: this.#by() } }), said);
    onSubmit(byId("pull-setup"), (data) => ({ path: path("setup"), value: { setup: data.get("setup"), by: this.#by() } }), said);
    onSubmit(byId("pull-setup-undo"), () => ({ path: path("setup"), value: { setup: null, by: this.#by() } }), said);
    byId("pull-by").value = kept.get("by") ?? "";
    byId("pull-by").addEventListener("change", () => kept.set("by", this.#by()));
    for (const button of byId("pull-reasons").querySelectorAll("button")) {
      button.addEventListener("click", () => { byId("pull-exclude").elements.reason.value = button.textContent; });
    }
    const say = (text, bad) => { setText(said, text); setData(said, "bad", bad); };
    for (const button of byId("pull-files").querySelectorAll("button")) {
      button.addEventListener("click", () => download(button, "/api/export",
        { pulls: [this.#chosen], format: button.value, raw: button.dataset.raw !== undefined }, say));
    }
    byId("pull-close").addEventListener("click", () => {
      const id = this.#chosen;
      this.#chosen = null;
      byId("pull-detail").hidden = true;
      this.#rows();
      byId(`change-${id}`)?.focus();
    });
  }

  /** What its curve tells of engine and drive, and what to know of it. */
  async #tells(pull) {
    const curve = await this.#curve(pull);
    if (byId("pull-detail").dataset.pull !== String(pull.id)) return;
    byId("pull-tells").replaceChildren(...[...curve?.said ?? [], ...curve?.remarks ?? []].map((text) => make("li", {}, text)));
  }

  #by() { return byId("pull-by").value.trim(); }

  #detail(pull) {
    if (!pull) return;
    const opens = byId("pull-detail").hidden || byId("pull-detail").dataset.pull !== String(pull.id);
    byId("pull-detail").hidden = false;
    byId("pull-detail").dataset.pull = pull.id;
    setText(byId("pull-title"), `Pull ${pull.id}, ${pull.setup ?? "no setup"}, ${when(pull.started_wall_us)}`);
    byId("pull-exclude").hidden = Boolean(pull.excluded);
    byId("pull-include").hidden = !pull.excluded;
    setText(byId("pull-excluded"), pull.excluded ? `Left out${pull.excluded.by ? ` by ${pull.excluded.by}` : ""}: ${pull.excluded.reason}` : "");
    this.#tells(pull);
    byId("pull-setup-undo").hidden = !pull.setup_corrected;
    setText(byId("pull-corrected"), pull.setup_corrected ? `Put right: it was filed under ${pull.setup_corrected.recorded ?? "no setup"}.` : "");
    if (opens) {
      setText(byId("pull-said"), "");
      byId("pull-setup").elements.setup.value = pull.setup ?? "";
      noteForm(byId("pull-note"), pull);
      for (const row of byId("pulls-rows").children) row.toggleAttribute("aria-current", row.querySelector("th").textContent === String(pull.id));
    }
  }
}
