// What a person writes: setup, air of the day, notes.

import { byId, make, setData, setText } from "./dom.js";
import { request } from "./api.js";

/** Sends a form once, and says beside it how it went; `failed` are the words for one that did not go. */
export function onSubmit(form, body, said, failed) {
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    await send(form, () => body(new FormData(form)), said, failed);
  });
}

async function send(form, body, said, failed = "Not kept") {
  const buttons = form.querySelectorAll("button");
  for (const button of buttons) button.disabled = true;
  try {
    const { path, value, then, timeoutMs } = body();
    const answer = await request(path, value, timeoutMs);
    say(said, then ? then(answer) : answer.message, false);
  } catch (error) {
    say(said, `${failed}: ${error.message}`, true);
  } finally {
    for (const button of buttons) button.disabled = false;
  }
}

function say(node, text, bad) {
  setData(node, "bad", bad);
  node.textContent = text;
}

export class Forms {
  #units;
  #air = null;
  #inForce;
  /** The newest live values. */
  live = null;
  #stand;

  constructor(stand, units) {
    this.#stand = stand;
    this.#units = units;
    const setupSaid = byId("setup").querySelector(".said");
    const inForce = ({ message, replaced_notes: replaced }) => `In use for the next pulls: ${message}.${
      replaced ? ` Its new notes replace those it had: ${replaced}` : ""}`;
    onSubmit(byId("setup-choose"), (data) => {
      if (!data.get("setup")) throw new Error("choose one first");
      return { path: "/api/setup", value: { name: data.get("setup") }, then: inForce };
    }, setupSaid);
    onSubmit(byId("setup-new"), (data) => ({
      path: "/api/setup",
      value: { name: data.get("name"), notes: data.get("notes"), parts: parts(data.get("parts")) },
      then: (answer) => { byId("setup-new").reset(); return inForce(answer); },
    }), setupSaid);
    // The same parts, mounted once more: how much that moves the torque is part of every comparison.
    byId("setup-again").addEventListener("click", () => send(byId("setup-choose"),
      () => ({ path: "/api/setup", value: { name: this.#inForce, again: true }, then: () => `Taken off and put back on: ${this.#inForce}.` }), setupSaid));
    const airSaid = byId("air-form").nextElementSibling;
    onSubmit(byId("air-form"), (data) => ({ path: "/api/air", value: this.#entered(data) }), airSaid);
    byId("air-forget").addEventListener("click", () => send(byId("air-form"), () => ({ path: "/api/air", value: null }), airSaid));
    const measured = Object.entries(stand.air).filter(([, input]) => input.channel).map(([name]) => name);
    for (const name of measured) {
      const input = byId("air-form").elements[name];
      input.required = false;
      input.closest(".measured").hidden = true;
    }
    byId("air-form").hidden = measured.length === Object.keys(stand.air).length;
    byId("load-cell").hidden = !stand.load_cell;
    onSubmit(byId("tare"), () => ({ path: "/api/tare", value: {} }), byId("tare").nextElementSibling);
    units.onChange(() => this.air(this.#air));
    this.air(null);
  }

  #entered(data) {
    const units = this.#units;
    const value = (name, quantity) => {
      // What a channel measures is not used as entered; what it shows now is noted.
      const { channel } = this.#stand.air[name];
      if (channel) return this.live?.channels.find((each) => each.name === channel)?.value_si ?? 0;
      const si = units.si(quantity, data.get(name));
      if (!Number.isFinite(si)) throw new Error(`${name}: "${data.get(name)}" is no number`);
      return si;
    };
    const uncertainty = (name, quantity) => {
      const text = data.get(name).trim();
      if (text === "") return 0;
      const si = units.differenceSi(quantity, text);
      if (!(si >= 0)) throw new Error(`± "${text}" is no number`);
      return si;
    };
    return {
      pressure_pa: value("pressure", "pressure"), pressure_uncertainty_pa: uncertainty("pressure_u", "pressure"),
      temperature_k: value("temperature", "temperature"), temperature_uncertainty_k: uncertainty("temperature_u", "temperature"),
      relative_humidity: value("humidity", "fraction"), humidity_uncertainty: uncertainty("humidity_u", "fraction"),
    };
  }

  /** The air in force: entered, or the stand file's word. */
  air(air) {
    this.#air = air;
    const units = this.#units;
    const { pressure, temperature, humidity } = this.#stand.air;
    const word = (input, quantity, entered) => {
      if (input.channel) return `measured by "${input.channel}"`;
      return units.text(quantity, entered ?? input.value_si) + (entered === undefined ? " (stand file)" : " (entered)");
    };
    setText(byId("air-now"), `Pressure ${word(pressure, "pressure", air?.pressure_pa)}; intake air ${word(temperature, "temperature", air?.temperature_k)}; humidity ${word(humidity, "fraction", air?.relative_humidity)}.`);
  }

  setups({ setups, current }) {
    // What somebody has marked and not sent yet stays, unless another one is in force meanwhile.
    const marked = current === this.#inForce ? new FormData(byId("setup-choose")).get("setup") : null;
    const chosen = marked ?? current;
    this.#inForce = current;
    byId("setup-again").hidden = current === null;
    const options = setups.toReversed().map(({ name, parts, notes }) => {
      const input = make("input", { type: "radio", name: "setup", value: name, checked: name === chosen });
      const size = (value) => (typeof value === "string" ? value : [value.value, value.unit].filter(Boolean).join(" "));
      const more = [...Object.entries(parts ?? {}).map(([part, value]) => `${part} ${size(value)}`), notes].filter(Boolean).join(", ");
      return make("label", {}, input, make("span", {}, name, more ? make("small", {}, ` ${more}`) : ""));
    });
    byId("setups").replaceChildren(...(options.length ? options : [make("p", {}, "None yet.")]));
  }
}

function parts(text) {
  const found = {};
  for (const line of text.split("\n").map((each) => each.trim()).filter(Boolean)) {
    const [, part, value] = /^([^=]+)=(.*)$/.exec(line) ?? [];
    if (!part) throw new Error(`"${line}": expected part = value`);
    found[part.trim()] = value.trim();
  }
  return found;
}

/** A note in its cell of the table: read, and after a press of the button written. */
export function noteForm(cell, pull) {
  const read = () => {
    const button = make("button", { type: "button", className: "quiet", "aria-label": `${pull.note ? "Change" : "Write"} the note on pull ${pull.id}` }, pull.note ? "Change" : "Write");
    button.dataset.control = "";
    button.addEventListener("click", write);
    cell.replaceChildren(pull.note, " ", button);
    return button;
  };
  const write = () => {
    const area = make("textarea", { rows: 2, maxLength: 4000, value: pull.note, "aria-label": `Note on pull ${pull.id}` });
    const said = make("p", { className: "said", role: "status" });
    const keep = make("button", { type: "submit" }, "Keep");
    const leave = make("button", { type: "button", className: "quiet" }, "Leave as it was");
    const form = make("form", {}, area, make("div", { className: "buttons" }, keep, leave), said);
    leave.addEventListener("click", () => read().focus());
    onSubmit(form, () => ({
      path: `/api/pulls/${pull.id}/note`,
      value: { note: area.value },
      then: () => { pull.note = area.value.trim(); read().focus(); return ""; },
    }), said);
    cell.replaceChildren(form);
    area.focus();
  };
  read();
}
