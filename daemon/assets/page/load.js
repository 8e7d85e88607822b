// The load of a brake stand: a person's words, and what the board's loop does with them.

import { request } from "./api.js";
import { MEASURE_TIMEOUT_MS, showFound } from "./commission.js";
import { byId, make, setData, setText } from "./dom.js";
import { onSubmit } from "./forms.js";
import { RAD_PER_S_PER_RPM, numberText } from "./units.js";

// The newest run for tuning is looked for among so many pulls.
const RUNS_AMONG = 50;

const MODES = { off: "no load", speed: "holds a speed", torque: "holds a torque", road: "like a road", output: "an output" };

const post = (value) => ({ path: "/api/load", value });

/** A number that a person wrote; an error with its name where it is none. */
function written(data, name, label) {
  const value = Number(String(data.get(name)).trim().replace(",", "."));
  if (data.get(name) === "" || !Number.isFinite(value)) throw new Error(`${label}: "${data.get(name)}" is no number`);
  return value;
}

/** Speeds with spaces between, as steps. */
export function stepsOf(text) {
  const rpms = String(text).split(/[\s,;]+/).filter(Boolean).map(Number);
  if (!rpms.length || rpms.some((rpm) => !Number.isFinite(rpm))) throw new Error("speeds: expected numbers with spaces between, such as 3000 4000 5000");
  return rpms.map((rpm) => ({ speed: { rad_per_s: rpm * RAD_PER_S_PER_RPM } }));
}

/** A sweep, with the speed that it begins at. */
export const sweepOf = (data) => [
  { speed: { rad_per_s: written(data, "from", "from") * RAD_PER_S_PER_RPM } },
  { sweep: { to_rad_per_s: written(data, "to", "to") * RAD_PER_S_PER_RPM, rad_per_s2: written(data, "rate", "rate") * RAD_PER_S_PER_RPM } },
];

export class Load {
  #planned = null;
  #units;
  #steps = "";
  #load = null;
  #open = false;
  #stored = {};
  #seen = "";
  #run = null;

  constructor(units, views) {
    this.#units = units;
    const said = byId("load-said");
    const refused = "Refused";
    onSubmit(byId("load-arm"), () => post("arm"), said, refused);
    onSubmit(byId("load-release"), () => post({ release: {} }), said, refused);
    onSubmit(byId("load-speed"), (data) => post({ order: { speed: { rad_per_s: written(data, "rpm", "speed") * RAD_PER_S_PER_RPM } } }), said, refused);
    onSubmit(byId("load-torque"), (data) => {
      const nm = units.si("torque", data.get("torque"));
      if (!Number.isFinite(nm)) throw new Error(`torque: "${data.get("torque")}" is no number`);
      return post({ order: { torque: { nm } } });
    }, said, refused);
    onSubmit(byId("load-steps"), (data) => {
      const list = { steps: stepsOf(data.get("speeds")), torque_share: written(data, "share", "uncertainty") / 100 };
      if (data.get("throttle")) list.throttle = written(data, "throttle", "throttle") / 100;
      return post({ steps: list });
    }, said, refused);
    onSubmit(byId("load-sweep"), (data) => post({ steps: { steps: sweepOf(data) } }), said, refused);
    onSubmit(byId("load-tune"), (data) => post({ tune: { rad_per_s: written(data, "rpm", "speed") * RAD_PER_S_PER_RPM } }), said, refused);
    onSubmit(byId("load-tuning-read"), () => ({
      path: "/api/commission/measure", value: { part: "load-tuning", pull: this.#run }, timeoutMs: MEASURE_TIMEOUT_MS,
      then: (found) => {
        showFound(byId("load-tuning-found"), "Run for tuning", found, () => this.#tuned());
        return "Look at it before you put it in force. The board takes it when the load is armed next.";
      },
    }), byId("load-tuning-said"), "Not worked out");
    views.onOpen((view) => {
      this.#open = view === "load";
      this.#refresh();
    });
    onSubmit(byId("load-plan"), () => post({ steps: this.#planned }), said, refused);
    units.onChange(() => { this.#steps = ""; this.show({ load: this.#load }); });
  }

  /** The list of steps that the test plan wants next; null without one. */
  planned(list) {
    this.#planned = list;
    byId("load-plan").hidden = !list;
    if (list) setText(byId("load-plan-name"), list.name);
  }

  show({ load }) {
    this.#load = load;
    byId("plan-each").hidden = !load;
    byId("load-link").hidden = !load;
    byId("load-none").hidden = Boolean(load);
    byId("load-there").hidden = !load;
    if (!load) return;
    const torque = (nm) => (nm === null ? "–" : this.#units.text("torque", nm));
    const rpm = (value) => (value === null ? "–" : `${numberText(value, 0)} rpm`);
    setText(byId("load-armed"), load.armed ? "armed" : "not armed");
    setData(byId("load-armed"), "on", load.armed);
    setText(byId("load-mode"), load.tuning ? "is being tuned" : MODES[load.mode]);
    setText(byId("load-demand"), torque(load.demand_nm));
    setText(byId("load-output"), load.output === null ? "–" : `${numberText(100 * load.output, 1)} %`);
    setText(byId("load-reference"), load.mode === "speed" ? rpm(load.reference_rpm) : "–");
    setText(byId("load-engine"), torque(load.engine_nm));
    const warnings = [load.lacks, load.armed ? null : load.why,
      load.saturated ? "more is asked for than the absorber has, or less than none" : null,
      load.backed_off ? `it swung, and was made softer ${load.backed_off} times` : null];
    setText(byId("load-why"), warnings.filter(Boolean).join("; "));
    byId("load-arm").hidden = load.armed;
    byId("load-armed-forms").hidden = !load.armed;
    const { run } = load;
    setText(byId("load-waits"), run ? `Step ${Math.min(run.step, run.steps)} of ${run.steps}: waits for ${run.waits_for || "the next look"}` : "");
    this.#list(run ? run.done : load.last_steps, torque, rpm);
    const { tuning, tuning_given_up: givenUp } = load;
    setText(byId("load-tuning-waits"), tuning ? `At ${rpm(tuning.engine_rpm)}: waits for ${tuning.waits_for}` : givenUp ? `The last run was given up: ${givenUp}` : "");
    const progress = byId("load-tuning-progress");
    progress.hidden = !tuning;
    if (tuning) Object.assign(progress, { max: tuning.switches_needed, value: Math.min(tuning.switches, tuning.switches_needed) });
    byId("load-tune").hidden = Boolean(tuning);
  }

  /** The store has something new. */
  stored(stored) {
    this.#stored = stored;
    this.#refresh();
  }

  async #refresh() {
    const { pulls, events } = this.#stored;
    const key = `${pulls} ${events}`;
    if (!this.#open || this.#seen === key) return;
    this.#seen = key;
    await this.#tuned().catch(() => { this.#seen = ""; }); // The next change, or the next daemon, brings it.
  }

  /** What tuning is in force, and the newest run for one. */
  async #tuned() {
    const [{ load_tuning: words }, { pulls }] = await Promise.all([request("/api/commission"), request(`/api/pulls?limit=${RUNS_AMONG}`)]);
    setText(byId("load-tuned"), words ?? "");
    const run = pulls.find(({ state }) => state === "tuning");
    byId("load-tuning-read").hidden = !run;
    if (!run) return;
    if (run.id !== this.#run) byId("load-tuning-found").hidden = true;
    this.#run = run.id;
    setText(byId("load-tuning-run"), `pull ${run.id}, ${new Date(run.started_wall_us / 1000).toLocaleString([], { hour12: false })}`);
  }

  #list(done, torque, rpm) {
    const seen = JSON.stringify(done);
    if (seen === this.#steps) return;
    this.#steps = seen;
    byId("load-done").hidden = !done.length;
    byId("load-rows").replaceChildren(...done.map((step, at) => make("tr", {},
      make("td", {}, numberText(at + 1, 0)),
      make("td", {}, rpm(step.engine_rpm)),
      make("td", {}, torque(step.torque_nm)),
      make("td", {}, torque(step.expanded_uncertainty_nm)),
      make("td", {}, `${numberText(step.seconds, 1)} s`),
      make("td", {}, step.lacks ?? (step.step.sweep ? "sweep" : "steady")))));
  }
}
