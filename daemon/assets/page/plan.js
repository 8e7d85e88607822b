// The test plan: its next step for the band, where it stands, and the form that begins one.

import { byId, make, setData } from "./dom.js";
import { request } from "./api.js";
import { onSubmit } from "./forms.js";
import { stepsOf, sweepOf } from "./load.js";
import { numberText } from "./units.js";

// While a pull is to be made temperatures change.
const EVERY_MS = 3000;

const pulls = (count, list) => {
  const what = list ? "test" : "pull";
  return `${count} ${what}${count === 1 ? "" : "s"}${list ? ` by ${list}` : ""}`;
};
const minutes = (seconds) => `${numberText(seconds / 60, 1)} min`;
const capital = (text) => text[0].toUpperCase() + text.slice(1);

export class Plan {
  #stand;
  #units;
  #tell;
  #timer = 0;
  #seen = "";
  #setup = null;
  #setups = [];
  #blocks = [];
  #plan = null;

  /** `tell` gets the next step for the band: { text, detail, ready, wrong }, or null. */
  constructor(stand, units, tell) {
    this.#stand = stand;
    this.#units = units;
    this.#tell = tell;
    const said = byId("plan-said");
    const each = byId("plan-kind");
    const showEach = () => {
      for (const kind of ["steps", "sweep"]) byId(`plan-${kind}`).hidden = each.value !== kind;
      byId("plan-list-name").hidden = each.value === "pulls";
    };
    each.addEventListener("change", showEach);
    showEach();
    byId("plan-name-add").addEventListener("click", () => {
      const name = byId("plan-name").value.trim();
      if (name) this.#add(name);
      byId("plan-name").value = "";
    });
    onSubmit(byId("plan-new"), (data) => ({
      path: "/api/plan", value: { word: "begin", plan: this.#written(data) },
      then: () => { this.#blocks = []; this.#list(); return "The plan begins"; },
    }), said);
    for (const word of ["leave", "resume"]) {
      onSubmit(byId(`plan-${word}`), () => ({ path: "/api/plan", value: { word }, then: () => "" }), said);
    }
    const channel = byId("plan-channel");
    channel.replaceChildren(make("option", { value: "" }, "none"), ...stand.channels.map(({ name }) => make("option", { value: name }, name)));
    const showUnit = () => {
      const quantity = stand.channels.find(({ name }) => name === channel.value)?.quantity;
      byId("plan-window").hidden = !quantity;
      byId("plan-unit").textContent = quantity ? units.symbol(quantity) : "";
    };
    channel.addEventListener("change", showUnit);
    units.onChange(showUnit);
    showUnit();
    this.#list();
  }

  /** The store has something new. */
  stored({ setup, setups, pulls, events, started_wall_us: run }) {
    const seen = JSON.stringify([setup, setups, pulls, events, run]);
    if (seen === this.#seen) return;
    this.#seen = seen;
    this.#setup = setup;
    this.update();
  }

  async update() {
    clearTimeout(this.#timer);
    try {
      const [plan, { setups }] = await Promise.all([request("/api/plan"), request("/api/setups")]);
      this.#plan = plan;
      this.#setups = setups.map(({ name }) => name);
    } catch {
      return; // The next change, or the next daemon, brings it.
    }
    const { plan, left, next } = this.#plan;
    const isOn = Boolean(plan) && !left;
    this.#tell(isOn ? this.#step(this.#plan) : null);
    this.#show(isOn);
    if (isOn && next.what === "pull") this.#timer = setTimeout(() => this.update(), EVERY_MS);
  }

  #step({ plan, made, next, not_ready: waits }) {
    const total = plan.blocks.reduce((sum, block) => sum + block.pulls, 0);
    const done = made.reduce((sum, each) => sum + each, 0);
    const isOfLists = plan.blocks.every((block) => block.list);
    const all = isOfLists ? `${total} test${total === 1 ? "" : "s"}` : pulls(total);
    if (next.what !== "pull") return { text: "The plan is done", detail: `all ${all} made`, ready: true, wrong: "" };
    const list = plan.lists?.find(({ name }) => name === next.list) ?? null;
    const open = plan.blocks.map((block, at) => ({ ...block, at, pulls: block.pulls - made[at] }));
    const then = open.filter(({ at, pulls }) => at !== next.block - 1 && pulls > 0).map((block) => `${block.setup}, ${pulls(block.pulls, block.list)}`);
    const left = [`${done} of ${all} made`, ...then.length ? [`then ${then.slice(0, 2).join("; ")}${then.length > 2 ? "; …" : ""}`] : []];
    if (this.#setup !== next.setup) {
      const count = pulls(next.pulls - next.pull + 1, next.list);
      return {
        text: `${this.#setup === null ? "Fit" : "Swap to"} ${next.setup}, then ${count}`,
        detail: capital(left.join(", ")), ready: false,
        wrong: `Wrong setup: the plan wants ${next.setup}`,
      };
    }
    const step = `${list ? "test" : "pull"} ${next.pull} of ${next.pulls} with ${next.setup}${list ? `: ${list.name}` : ""}`;
    if (waits.length) return { text: capital(waits[0]), detail: capital([...waits.slice(1), step, ...left].join(", ")), ready: false, wrong: "", list };
    return { text: capital(step), detail: capital(left.join(", ")), ready: true, wrong: "", list };
  }

  /** Where the plan stands, and the setups that one may be made of. */
  #show(isOn) {
    const { plan, made, next, lists } = this.#plan;
    byId("plan-lists").textContent = (lists ?? []).map(({ name, words, seconds, kept_tests: kept }) =>
      `${name}: ${words}, ${kept ? "" : "about "}${minutes(seconds)} each`).join("; ");
    const rows = (plan?.blocks ?? []).map((block, at) => {
      const isNext = isOn && next.what === "pull" && next.block === at + 1;
      const row = make("li", {}, `${block.setup}: ${made[at]} of ${pulls(block.pulls, block.list)}`);
      if (isNext) row.setAttribute("aria-current", "step");
      return row;
    });
    byId("plan-blocks").replaceChildren(...rows);
    byId("plan-windows").textContent = (plan?.windows ?? []).map((window) => this.#window(window)).join("; ");
    byId("plan-none").hidden = Boolean(plan);
    setData(byId("plan-blocks"), "left", Boolean(plan) && !isOn);
    byId("plan-leave").hidden = !isOn;
    byId("plan-resume").hidden = !plan || isOn;
    const offered = this.#setups.toReversed();
    const same = [...byId("plan-setups").children].map((button) => button.textContent);
    if (JSON.stringify(same) !== JSON.stringify(offered)) {
      byId("plan-setups").replaceChildren(...offered.map((name) => {
        const button = make("button", { type: "button" }, name);
        button.addEventListener("click", () => this.#add(name));
        return button;
      }));
    }
  }

  #window({ channel, low_si: low, high_si: high }) {
    const quantity = this.#stand.channels.find(({ name }) => name === channel)?.quantity;
    return `${channel} from ${this.#units.digits(quantity, low)} to ${this.#units.text(quantity, high)}`;
  }

  #add(name) {
    this.#blocks.push(name);
    this.#list();
  }

  #list() {
    byId("plan-order").replaceChildren(...this.#blocks.map((name, at) => {
      const button = make("button", { type: "button", className: "quiet", "aria-label": `Take ${name} out again` }, "Take out");
      button.addEventListener("click", () => {
        this.#blocks.splice(at, 1);
        this.#list();
        byId("plan-begin").focus();
      });
      return make("li", {}, `${numberText(at + 1, 0)}. ${name} `, button);
    }));
  }

  #written(data) {
    if (!this.#blocks.length) throw new Error("press the setups in the order they are to be tested");
    const each = Number(data.get("pulls"));
    const plan = { blocks: this.#blocks.map((setup) => ({ setup, pulls: each })) };
    const kind = data.get("kind");
    if (!byId("plan-each").hidden && kind !== "pulls") {
      const name = data.get("list").trim() || kind;
      plan.lists = [{ name, steps: kind === "steps" ? stepsOf(data.get("speeds")) : sweepOf(data) }];
      for (const block of plan.blocks) block.list = name;
    }
    const channel = data.get("channel");
    if (channel) {
      const quantity = this.#stand.channels.find(({ name }) => name === channel).quantity;
      const bound = (name) => {
        const si = this.#units.si(quantity, data.get(name));
        if (!Number.isFinite(si)) throw new Error(`${channel}: "${data.get(name)}" is no number`);
        return si;
      };
      plan.windows = [{ channel, low_si: bound("low"), high_si: bound("high") }];
    }
    return plan;
  }
}
