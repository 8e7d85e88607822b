// Commissioning: the guards' self-test, each calibration step by step with live values and its result as a
// picture, what is in force, and the stand file with what looks wrong with it.

import { byId, make, setText } from "./dom.js";
import { request } from "./api.js";
import { onSubmit } from "./forms.js";
import { numberText } from "./units.js";

// A calibration is worked out from recorded bytes.
export const MEASURE_TIMEOUT_MS = 120000;

const field = (label, name, placeholder, more = {}) => ({ label, name, placeholder, ...more });
const STRETCHES = field("Pulls or kept stretches to work from", "pulls", "3 4 5");
const COAST = "Bring the drum to its highest speed, pull the clutch (or take the chain off), touch nothing, and let it run down. The drum stays dangerous until it stands: keep the guard closed and nobody beside it.";

/** What can be calibrated, in words. `keep`: seconds that a step keeps as a stretch of its own. */
const PARTS = [
  {
    part: "inertia", title: "Inertia of the drum, by falling weights", needs: (stand) => stand.kind !== "brake",
    steps: ["Ignition and fuel off, clutch pulled or chain off. Pad the floor; keep clear of cord and weight.",
      "Wind the cord on the drum, hang the first weight, let go from a distance. Keep the stretch when the weight is down.",
      "The same with a second weight of another mass: friction cancels between the two."],
    keep: 30,
    fields: [field("From the drum's axis to the middle of the cord", "radius", "120.0 +/- 0.3 mm"), field("First mass", "mass_1", "5.00 +/- 0.01 kg"),
      field("Its stretch", "pull_1", "7"), field("Second mass", "mass_2", "2.00 +/- 0.01 kg"), field("Its stretch", "pull_2", "8")],
    body: (data) => ({ radius: data.get("radius"), falls: [1, 2].map((n) => ({ mass: data.get(`mass_${n}`), pull: whole(data.get(`pull_${n}`)) })) }),
  },
  {
    part: "inertia-by-ring", title: "Inertia of the drum, by an added ring", needs: (stand) => stand.kind !== "brake",
    steps: [`${COAST} Keep the stretch when the drum stands.`,
      "Ignition and fuel off, drum at rest: bolt the ring on, centred, every bolt at its torque. A ring that comes loose is a projectile.",
      "The same coast-down with the ring. Take the ring off again before the next pull."],
    keep: 90,
    fields: [field("The ring's moment of inertia (or its mass and both diameters)", "ring_inertia", "0.150 +/- 0.001 kg*m^2", { optional: true }),
      field("Its mass", "ring_mass", "8.20 +/- 0.01 kg", { optional: true }), field("Its outer diameter", "ring_outer", "300.0 +/- 0.2 mm", { optional: true }),
      field("Its inner diameter", "ring_inner", "240.0 +/- 0.2 mm", { optional: true }),
      field("Stretch without the ring", "pull_1", "7"), field("Stretch with the ring", "pull_2", "8")],
    body: (data) => ({ ring: ringOf(data), without: whole(data.get("pull_1")), with: whole(data.get("pull_2")) }),
  },
  {
    part: "inertia-by-torque", title: "Inertia of the drum, by a known torque", needs: (stand) => stand.kind !== "brake",
    steps: ["Drive the drum with a torque that is known, such as that of a motor on an arm with a scale. Keep the stretch while it speeds up.",
      `${COAST} Keep that stretch too: the losses are known from it at the same speed.`],
    keep: 90,
    fields: [field("The torque at the drum's shaft", "torque", "12.0 +/- 0.1 N*m"), field("Stretch with the torque", "pull_1", "7"), field("Stretch of the coast-down", "pull_2", "8")],
    body: (data) => ({ torque: data.get("torque"), driven: whole(data.get("pull_1")), coasting: whole(data.get("pull_2")) }),
  },
  {
    part: "losses", title: "Losses of the drum", needs: (stand) => stand.kind !== "brake",
    steps: [COAST, "Keep the stretch when the drum stands.", "Make three runs: they tell how much the losses change from one to the next."],
    keep: 90,
    fields: [STRETCHES, field("Temperature of the bearings, where no channel measures it", "temperature", "35 degC", { optional: true })],
    body: (data) => ({ pulls: list(data.get("pulls")), temperature: data.get("temperature") }),
  },
  {
    part: "load-cell", title: "Load cell", needs: (stand) => stand.load_cell, weighs: true,
    steps: ["Engine off. Hang the weights over a padded floor; keep feet and hands from under them.",
      "From none up to what the engine will pull, and down again in the same steps: write what hangs, wait until it rests, and take it."],
    fields: [],
    body: (_data, weights) => ({ weights }),
  },
  {
    part: "wheel", title: "Teeth of the wheel", needs: () => true,
    steps: ["Teeth are never spaced evenly. Coast-downs tell best where each sits, pulls refine it.", COAST, "Keep the stretch when the drum stands."],
    keep: 90, fields: [STRETCHES], body: (data) => ({ pulls: list(data.get("pulls")) }),
  },
  {
    part: "ratio", title: "Drive ratio", needs: () => true,
    steps: ["With a pickup on the drum and one on the engine: make a pull in the gear that you test in, and name it here."],
    fields: [STRETCHES], body: (data) => ({ pulls: list(data.get("pulls")) }),
  },
];

function whole(text) {
  if (!/^\d+$/.test(text.trim())) throw new Error(`"${text}" is no number of a pull`);
  return Number(text);
}

function ringOf(data) {
  const [inertia, mass, outer, inner] = ["ring_inertia", "ring_mass", "ring_outer", "ring_inner"].map((name) => data.get(name).trim());
  if (inertia) return { inertia };
  if (mass && outer && inner) return { mass, outer, inner };
  throw new Error("write the ring's moment of inertia, or its mass and both diameters");
}

const list = (text) => text.split(/[\s,]+/).filter(Boolean).map(whole);

/** What a calibration came to, with a button that puts it in force; `then` when it is. */
export function showFound(node, title, { words, verdict, summary, change, picture }, then) {
  const parts = [make("pre", {}, words)];
  if (verdict) parts.push(make("p", {}, make("strong", {}, verdict)));
  // As a picture, so that nothing in it runs.
  if (picture) parts.push(make("img", { alt: `${title}: ${summary}`, src: `data:image/svg+xml;charset=utf-8,${encodeURIComponent(picture)}` }));
  const said = make("p", { className: "said", role: "status" });
  const form = make("form", {}, make("button", { type: "submit" }, "Put it in force for the next pulls"));
  onSubmit(form, () => ({ path: "/api/calibration", value: { change, summary }, then: ({ message }) => { form.hidden = true; then(); return message; } }), said);
  node.replaceChildren(...parts, form, said);
  node.hidden = false;
}

export class Commission {
  #stand;
  #units;
  #open = false;
  #events = -1;
  #shown = -1;
  #busy = false;
  #lines = [];

  constructor(stand, units, views) {
    this.#stand = stand;
    this.#units = units;
    byId("commission-parts").replaceChildren(...PARTS.filter(({ needs }) => needs(stand)).map((part) => this.#part(part)));
    onSubmit(byId("self-test"), () => ({ path: "/api/self-test", value: {} }), byId("self-test-said"), "Not started");
    views.onOpen((view) => {
      this.#open = view === "commission";
      if (this.#open) this.#refresh();
    });
  }

  /** The store has something new. */
  stored({ events }) {
    this.#events = events;
    if (this.#open && events !== this.#shown) this.#refresh();
  }

  /** Live values beside the steps, while somebody looks. */
  show(live) {
    if (!this.#open) return;
    const rpm = (value) => (value === null ? "\u2013" : `${numberText(value, 0)} rpm`);
    const force = this.#stand.load_cell && live.force_n !== null ? `, load ${this.#units.text("force", live.force_n)}` : "";
    const text = `Now: drum ${rpm(live.drum_rpm)}, engine ${rpm(live.engine_rpm)}${force}`;
    for (const line of this.#lines) setText(line, text);
    setText(byId("self-test-now"), live.self_test ? `Waiting for ${live.self_test}` : "");
  }

  async #refresh() {
    if (this.#busy) return;
    this.#busy = true;
    const events = this.#events;
    try {
      this.#fill(await request("/api/commission"));
      this.#shown = events;
    } catch {
      // The next event, or the next daemon, brings it.
    } finally {
      this.#busy = false;
    }
    if (this.#open && this.#shown === events && this.#events !== events) this.#refresh();
  }

  #fill({ stand_file: file, check, calibrations, load_tuning: tuning, history, self_test: test }) {
    setText(byId("stand-check"), tuning ? `${check}The load's loop: ${tuning}` : check);
    setText(byId("stand-file"), file);
    const when = (us) => (us === null ? "" : new Date(us / 1000).toLocaleString([], { hour12: false }));
    const isHere = ({ part }) => this.#stand.load_cell || !["load-cell", "tare"].includes(part);
    const isTuned = ({ part }) => tuning || part !== "load-tuning";
    byId("calibrations").replaceChildren(...calibrations.filter(isHere).filter(isTuned).map(({ part, summary, wall_us: us }) => make("tr", {},
      make("th", { scope: "row" }, part), make("td", {}, summary ?? "the stand file's value"), make("td", {}, when(us)))));
    byId("calibration-history").replaceChildren(...history.map(({ wall_us: us, part, summary }) => make("li", {}, `${when(us)}, ${part}: ${summary}`)));
    const ms = (value) => (value === null ? "\u2013" : `${numberText(value, 0)} ms`);
    byId("self-test-none").hidden = test !== null;
    byId("self-test-result").hidden = test === null;
    if (!test) return;
    setText(byId("self-test-words"), `${test.passed ? "All guards passed" : test.broken_off ? `Broken off: ${test.broken_off}` : "Not passed"}, ${when(test.wall_us)}`);
    byId("self-test-trials").replaceChildren(...test.trials.map((trial) => make("tr", {}, make("th", { scope: "row" }, trial.guard),
      make("td", {}, trial.failure ?? (trial.tripped_ms === null ? "can't be tried at standstill" : "passed")),
      make("td", {}, ms(trial.tripped_ms)), make("td", {}, ms(trial.confirmed_ms)))));
  }

  #part({ part, title, steps, keep, weighs, fields, body }) {
    const said = make("p", { className: "said", role: "status" });
    const line = make("p", { className: "now" });
    this.#lines.push(line);
    const form = make("form", {});
    form.dataset.control = "";
    const result = make("div", { className: "calibrated", hidden: true });
    const weights = [];
    if (weighs) form.append(this.#scales(weights, said));
    for (const { label, name, placeholder, optional } of fields) {
      form.append(make("label", { className: "field" }, label, make("input", { name, placeholder, required: !optional, autocomplete: "off" })));
    }
    const buttons = make("div", { className: "buttons" });
    if (keep) buttons.append(this.#keep(keep, form, said));
    buttons.append(make("button", { type: "submit" }, "Work it out"));
    form.append(buttons);
    onSubmit(form, (data) => ({
      path: "/api/commission/measure", value: { part, ...body(data, weights) }, timeoutMs: MEASURE_TIMEOUT_MS,
      then: (found) => { showFound(result, title, found, () => this.#refresh()); return "Look at it before you put it in force."; },
    }), said, "Not worked out");
    return make("details", { className: "calibration" }, make("summary", {}, title), make("ol", { className: "steps" }, ...steps.map((step) => make("li", {}, step))), line, form, said, result);
  }

  /** Keeps what just happened as a stretch, and names it in the first field that asks for one. */
  #keep(seconds, form, said) {
    const button = make("button", { type: "button" }, `Keep the last ${seconds} s`);
    button.addEventListener("click", async () => {
      button.disabled = true;
      try {
        const { id } = await request("/api/keep", { seconds, note: "for a calibration" });
        const input = [...form.elements].find((each) => each.name === "pulls" || (each.name.startsWith("pull_") && each.value === ""));
        if (input) input.value = `${input.value} ${id}`.trim();
        said.textContent = `Kept as pull ${id}.`;
      } catch (error) {
        said.textContent = `Not kept: ${error.message}`;
      } finally {
        button.disabled = false;
      }
    });
    return button;
  }

  /** Weights one after the other. */
  #scales(weights, said) {
    const input = make("input", { placeholder: "5.00 kg", autocomplete: "off" });
    const taken = make("ol", { className: "plan-order" });
    const button = make("button", { type: "button" }, "Take it");
    button.addEventListener("click", async () => {
      button.disabled = true;
      try {
        if (!input.value.trim()) throw new Error("write what hangs there, such as 5 kg; 0 kg for nothing");
        const { counts } = await request("/api/commission/weigh", {});
        weights.push({ load: input.value.trim(), counts });
        taken.append(make("li", {}, `${input.value.trim()}: ${numberText(counts, 0)} counts`));
        said.textContent = "";
        input.value = "";
        input.focus();
      } catch (error) {
        said.textContent = error.message;
      } finally {
        button.disabled = false;
      }
    });
    return make("div", {}, make("div", { className: "named" }, make("label", { className: "field" }, "What hangs there", input), button), taken);
  }

}
