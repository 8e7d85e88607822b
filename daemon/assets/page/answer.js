// What a change did: any setups compared, again after each pull, and the files of it.

import { byId, kept, make, setData, setText } from "./dom.js";
import { ask, request } from "./api.js";
import { decimalsFor } from "./chart.js";
import { download } from "./download.js";
import { SpeedPlot } from "./speedplot.js";

const LATER_MS = 400;

export class Answer {
  #units;
  #differences = new SpeedPlot(byId("answer-difference"), "Difference");
  #means = new SpeedPlot(byId("answer-means"), "Setups");
  #open = false;
  #stored = null;
  /** What of the store is in the answer that is shown. */
  #told = null;
  #found = null;
  #names = [];
  #asking = null;
  #timer = 0;
  #pulling = false;

  constructor(units, views) {
    this.#units = units;
    const form = byId("answer-form");
    form.addEventListener("submit", (event) => event.preventDefault());
    form.addEventListener("change", () => { this.#keep(); this.#later(0); });
    const said = (text, bad) => { setText(byId("answer-said"), text); setData(byId("answer-said"), "bad", bad); };
    for (const button of byId("answer-files").querySelectorAll("button")) {
      button.addEventListener("click", () => {
        const setups = this.#setups();
        if (setups.length < 2) said("Choose two setups first.", true);
        else if (button.dataset.export !== undefined) download(button, "/api/export", { setups, format: button.value }, said);
        else this.#sheet(button, said);
      });
    }
    units.onChange(() => { if (this.#found) this.#later(0); });
    views.onOpen((view) => {
      this.#open = view === "answer";
      if (this.#open) this.#setupsThere();
      else this.#asking?.abort();
    });
  }

  /** The store has something new: another pull may tell more. */
  stored(stored) {
    this.#stored = stored;
    if (!this.#open) return;
    if (stored.setups !== this.#told?.setups) this.#setupsThere();
    else if (stored.pulls !== this.#told?.pulls) this.#later(LATER_MS);
  }

  /** While a pull is under way nothing is worked out: its end brings a new answer anyway. */
  live(live) {
    const ended = this.#pulling && live.phase !== "pulling";
    this.#pulling = live.phase === "pulling";
    if (ended && this.#open) this.#later(LATER_MS);
  }

  build() {
    this.#differences.build();
    this.#means.build();
  }

  /** The setups there are, chosen as on this device before, else the first and the newest. */
  async #setupsThere() {
    let there;
    try {
      there = (await request("/api/setups")).setups.map(({ name }) => name);
    } catch (error) {
      this.#status(`The setups can't be read: ${error.message}`, true);
      return;
    }
    const base = byId("answer-base");
    if (there.join("\n") !== this.#names.join("\n")) {
      this.#names = there;
      const before = this.#kept();
      const chosen = before.filter((name) => there.includes(name));
      const [first, ...others] = chosen.length > 1 ? chosen : [there[0], there.at(-1)];
      base.replaceChildren(...there.map((name) => make("option", { value: name }, name)));
      base.value = first ?? "";
      byId("answer-others").replaceChildren(...there.map((name) => {
        const box = make("input", { type: "checkbox", name: "other", value: name, checked: others.includes(name) && name !== first });
        return make("label", {}, box, make("span", {}, name));
      }));
    }
    this.#later(0);
  }

  #kept() {
    try { return JSON.parse(kept.get("compared") ?? "[]"); } catch { return []; }
  }

  #keep() { kept.set("compared", JSON.stringify(this.#setups())); }

  #setups() {
    const first = byId("answer-base").value;
    const others = [...byId("answer-others").querySelectorAll("input:checked")].map(({ value }) => value).filter((name) => name !== first);
    for (const box of byId("answer-others").querySelectorAll("input")) box.disabled = box.value === first;
    return first ? [first, ...others] : others;
  }

  /** The request's body; throws what is wrong with a field. */
  #wanted() {
    const fields = byId("answer-form").elements;
    const number = (name, what, read) => {
      const text = fields[name].value.trim();
      if (!text) return null;
      const value = read(text);
      if (!(value > 0)) throw new Error(`${what}: "${text}" is no number above 0`);
      return value;
    };
    const worth = number("worth", "a difference that matters", (text) => this.#units.differenceSi("torque", text));
    const plain = (text) => Number(text.replace(",", "."));
    const [low, high] = [number("low", "from", plain), number("high", "to", plain)];
    if ((low === null) !== (high === null)) throw new Error("Give both ends of the range, or none");
    if (low !== null && low >= high) throw new Error("The range has to begin below its end");
    const refit = number("refit", "refit", (text) => plain(text.replace("%", "")));
    return { setups: this.#setups(), margin_nm: worth, resolve_nm: worth, range_rpm: low === null ? null : [low, high],
      typical_refit: refit === null ? null : refit / 100, units: kept.get("units") === "us" ? "us" : kept.get("units") === "si" ? "si" : null };
  }

  #later(ms) {
    clearTimeout(this.#timer);
    this.#timer = setTimeout(() => this.#ask(), ms);
  }

  /** A newer question lets go of the one before, and the daemon of its work on it. */
  async #ask() {
    this.#asking?.abort();
    if (!this.#open || this.#pulling) return;
    const asking = new AbortController();
    this.#asking = asking;
    this.#told = this.#stored;
    try {
      const wanted = this.#wanted();
      if (wanted.setups.length < 2) {
        this.#nothing(this.#names.length < 2 ? "There is nothing to compare yet. Make pulls with two setups." : "Choose the setups to compare.");
        return;
      }
      this.#status(this.#found ? "Working out the newest\u2026" : "Working it out\u2026", false);
      const found = await ask("/api/comparison", wanted, asking.signal);
      if (!found || asking !== this.#asking) return;
      this.#found = found;
      this.#show();
    } catch (error) {
      if (asking === this.#asking) this.#nothing(`No answer yet: ${error.message}`);
    }
  }

  #status(text, bad) {
    setText(byId("answer-status"), text);
    setData(byId("answer-status"), "bad", bad);
  }

  #nothing(text) {
    this.#found = null;
    byId("answer-found").hidden = true;
    this.#status(text, false);
  }

  #show() {
    const { told, setups, pairs, left_out: leftOut } = this.#found;
    byId("answer-found").hidden = false;
    const counts = setups.map(({ pulls, name }) => `${pulls.length} ${pulls.length === 1 ? "pull" : "pulls"} with ${name}`);
    this.#status(`After ${counts.join(", ")}:`, false);
    byId("answer-words").replaceChildren(...told.pairs.map((pair) => verdict(pair)));
    const tables = { figures: told.figures, speeds: told.speeds, evenness: told.evenness };
    for (const [name, rows] of Object.entries(tables)) byId(`answer-${name}`).replaceChildren(...table(rows));
    const whys = pairs.filter(({ why }) => why?.words?.length).map((pair) => make("div", {}, make("h4", {}, `${pair.second} against ${pair.first}`),
      make("p", {}, sentence(pair.why.words[0])),
      make("details", {}, make("summary", {}, "All of it"), make("ul", { className: "lines" }, ...pair.why.words.slice(1).map((line) => make("li", {}, sentence(line)))))));
    byId("answer-why").hidden = whys.length === 0;
    byId("answer-reasons").replaceChildren(...whys);
    const out = leftOut.map(({ pull, setup, reason }) => `Left out: pull ${pull}, ${setup ?? "no setup"}: ${reason}`);
    byId("answer-out").replaceChildren(...out.map((line) => make("li", {}, line)));
    byId("answer-notes").replaceChildren(...told.notes.map((line) => make("li", {}, line)));
    this.#draw();
  }

  #draw() {
    const { rpm, setups, pairs, range_rpm: range } = this.#found;
    const unit = this.#units.symbol("torque");
    const span = (nm) => (nm === null ? null : this.#units.number("torque", nm) - this.#units.number("torque", 0));
    const first = pairs.filter((pair) => pair.first === setups[0].name);
    const place = (name) => setups.findIndex((setup) => setup.name === name);
    const widths = first.flatMap(({ band_nm: band }) => band.filter((half) => half !== null).map(span));
    const decimals = Math.min(3, Math.max(1, decimalsFor(Math.min(...widths))));
    this.#differences.show({
      name: "difference in torque", unit, decimals, zero: true,
      curves: first.map((pair) => ({ label: `${pair.second} less ${pair.first}`, short: "", place: place(pair.second), rpm, values: pair.difference_nm.map(span), halves: pair.band_nm.map(span) })),
    });
    this.#means.show({
      name: "torque", unit, decimals: 2, zero: false,
      curves: setups.map((setup, i) => ({ label: setup.name, short: "", place: i, rpm, values: setup.mean_nm.map(span), halves: setup.band_nm.map(span) })),
    });
    setText(byId("answer-range"), `Averages are over ${Math.round(range[0])} to ${Math.round(range[1])} rpm.`);
  }

  #sheet(button, said) {
    let wanted;
    try {
      wanted = this.#wanted();
    } catch (error) {
      said(error.message, true);
      return;
    }
    const fields = byId("answer-files").elements;
    const dark = document.documentElement.dataset.theme === "dark";
    download(button, "/api/sheet", { ...wanted, format: button.value, author: fields.author.value.trim(), note: fields.note.value.trim(),
      ...(button.dataset.picture === undefined ? {} : { picture: fields.picture.value, theme: dark ? "dark" : "light" }) }, said);
  }
}

/** The answer in letters that are read from afar, then in sentences. */
function verdict({ first, second, verdict: word, average, further, words, parts }) {
  const heads = { higher: `${second} is higher`, lower: `${second} is lower`, "no measurable difference": "No measurable difference", "can't tell": "Can't tell yet" };
  const block = make("section", { className: "verdict" }, make("h3", {}, heads[word]),
    make("p", { className: "amount" }, average, make("small", {}, word === "can't tell" ? " are the plain numbers, average torque" : ` ${second} against ${first}, average torque`)));
  block.dataset.verdict = word;
  if (further) block.append(make("p", { className: "further" }, `${sentence(further)}.`));
  const lines = [...words.filter((line) => line !== further).flatMap((line) => line.split("; ")), ...parts];
  block.append(make("ul", { className: "lines" }, ...lines.map((line) => make("li", {}, sentence(line)))));
  return block;
}

const sentence = (line) => line[0].toUpperCase() + line.slice(1);

function table({ headings, rows, text_columns: texts }) {
  const lines = (text) => text.trim().split("\n").flatMap((line, i) => (i ? [make("br"), line] : [line]));
  const head = make("thead", {}, make("tr", {}, ...headings.map((text, i) => make(text.trim() ? "th" : "td", { ...(text.trim() ? { scope: "col" } : {}), className: i < texts ? "" : "number" }, ...lines(text)))));
  const body = make("tbody", {}, ...rows.map((row) => make("tr", {}, ...row.map((text, i) => make(i === 0 ? "th" : "td", { ...(i === 0 ? { scope: "row" } : {}), className: i < Math.max(texts, 1) ? "" : "number" }, text)))));
  return [head, body];
}
