// The band at the top: what the stand waits for, what came of the last pull and what the plan wants next,
// in letters that are read from three metres.

import { byId, setData, setText } from "./dom.js";
import { WHOLE_SHARE } from "./sound.js";
import { RAD_PER_S_PER_RPM, numberText } from "./units.js";

// So long a result stays in large letters; after that it is in the line below.
const RESULT_MS = 12000;
// Of longer texts three lines would not leave room for the figures.
const LONG_CHARS = 58;
// So far above the start speed nobody is about to begin a pull.
const WELL_ABOVE = 1.15;

export class Band {
  #stand;
  #units;
  #setup = undefined;
  #step = null;
  #result = null;
  #pulledWrong = false;
  #spoken = "";

  constructor(stand, units) {
    this.#stand = stand;
    this.#units = units;
  }

  /** The setup in force; null when none was ever chosen. */
  setup(name) { this.#setup = name; }

  /** What the plan wants next, of `plan.js`; null without one. */
  step(step) { this.#step = step; }

  /** What came of the last pull, of `result.js`: { text, more, at }. */
  result(result) {
    const told = `${result.text[0].toUpperCase()}${result.text.slice(1)}`;
    this.#result = { ...result, told: result.more ? `${told}, ${result.more}` : told };
    // Aloud also when the next pull has begun.
    if (result.at > 0) byId("spoken").textContent = this.#result.told;
  }

  show(live, link, ageMs) {
    let [state, text, detail] = live ? this.#sentence(live) : ["unknown", "Connecting to the daemon", ""];
    const seconds = ageMs === null ? "" : `${(ageMs / 1000).toFixed(1)} s`;
    const lost = link === "lost";
    setText(byId("lost-why"), lost ? "No word from the daemon." : "");
    setText(byId("lost-age"), lost ? `The last values are ${seconds} old. Still trying.` : "");
    byId("lost").hidden = !lost;
    if (lost) {
      text = "Connection lost, trying again";
      detail = `No word from the daemon for ${seconds}. What is shown is old.`;
    } else if (link === "stale") {
      text = "No new values";
      detail = `What is shown is ${seconds} old.`;
    }
    document.body.dataset.state = state;
    setText(byId("state-text"), text);
    setText(byId("state-detail"), detail);
    setData(byId("state-text"), "long", text.length > LONG_CHARS);
    const title = link === "live" ? text : link === "connecting" ? "Connecting" : "Old values";
    if (document.title !== title) document.title = title;
    this.#say(state, text, link);
  }

  /** Aloud only what a person has to know or to do: values and each phase of a pull would never end. */
  #say(state, text, link) {
    const matters = link === "lost" || ["cut", "plan", "wrong"].includes(state);
    if (!matters || this.#spoken === text) return;
    this.#spoken = text;
    byId("spoken").textContent = text;
  }

  #sentence(live) {
    if (live.self_test) return ["plan", `Self-test: waiting for ${live.self_test}`, "The stand stays cut until every guard has passed"];
    const { latch, cut_id: id, cause } = live.cut;
    switch (latch) {
      case "requested": return ["cut", `Cut asked for: ${cause}`, "Waiting for the board to confirm it. If the engine runs on: emergency stop."];
      case "confirmed": return ["cut", `Cut ${id}: ${cause}`, "Release it below when the cause is gone"];
      case "releasing": return ["cut", `Releasing cut ${id}`, "Waiting for the board"];
    }
    if (!live.connected) return ["unknown", `Waiting for ${live.waiting_for}`, "No board is connected: nothing is measured or guarded"];
    const { start_rpm: start } = this.#stand.pull;
    const rpm = (speed) => `${numberText(speed, 0)} rpm`;
    const phase = this.#led(live, rpm) ?? this.#phase(live, rpm);
    // A pull with another setup than the plan's is told from its first moment on.
    const isWrong = this.#isWrong(live);
    const result = this.#result;
    const last = result ? `Last: ${result.told[0].toLowerCase()}${result.told.slice(1)}` : "";
    if (phase) {
      const [state, doing, detail] = phase;
      return isWrong ? ["wrong", this.#step.wrong, [doing, detail, last].filter(Boolean).join(". ")] : [state, doing, [detail, last].filter(Boolean).join(". ")];
    }
    if (result && performance.now() - result.at < RESULT_MS) {
      if (isWrong) return ["wrong", `${result.text[0].toUpperCase()}${result.text.slice(1)}. ${this.#step.wrong}`, this.#step.detail];
      return ["result", result.told, this.#step?.text ?? ""];
    }
    if (this.#setup === null && !result) {
      return ["plan", "Choose a setup first", "A pull made now would belong to none"];
    }
    const ready = live.phase === "idle" ? "Start the engine" : live.engine_rpm > WELL_ABOVE * start ?
      `Let it slow below ${rpm(start)}` : `Full throttle from ${rpm(start)}`;
    const step = this.#step;
    if (step && (!step.ready || live.phase === "idle")) return ["plan", step.text, [step.detail, last].filter(Boolean).join(". ")];
    return [live.phase, ready, [step?.text, last].filter(Boolean).join(". ")];
  }

  /** What the load of a brake stand does, once a person armed it. */
  #led({ load }, rpm) {
    if (!load?.armed) return null;
    const { run, order, tuning } = load;
    if (tuning) return ["pulling", "Tuning the load: leave the throttle where it is", `Waits for ${tuning.waits_for}`];
    const speed = order?.speed && rpm(order.speed.rad_per_s / RAD_PER_S_PER_RPM);
    const rate = order?.speed?.rad_per_s2;
    const waits = run?.waits_for ? `Waits for ${run.waits_for}` : "";
    if (run && run.step > run.steps) return ["coasting", "Close the throttle", "All is read. The brake holds until then"];
    const torque = order?.torque && this.#units.text("torque", order.torque.nm);
    const doing = rate ? `sweeping to ${speed} at ${rpm(rate / RAD_PER_S_PER_RPM)}/s` : speed ? `holding ${speed}` :
      torque ? `holding ${torque}` : order?.road ? "holding like a road" : order?.output ? "a set output" : null;
    if (run) {
      const throttle = run.throttle === null ? "Full throttle" : `Throttle at ${numberText(100 * run.throttle, 0)} %`;
      return ["pulling", `Step ${run.step} of ${run.steps}: ${doing}`, [throttle, waits].filter(Boolean).join(". ")];
    }
    const step = this.#step?.text;
    if (!doing) return ["ready", "Load armed: order a speed or a list", ["No load is on yet: keep the throttle nearly closed", step].filter(Boolean).join(". ")];
    const saturated = load.saturated ? "More is asked for than the absorber has, or less than none" : "";
    return ["ready", `${doing[0].toUpperCase()}${doing.slice(1)}`, [saturated, step].filter(Boolean).join(". ")];
  }

  /** A pull under way. */
  #phase(live, rpm) {
    const { end_rpm: end } = this.#stand.pull;
    switch (live.phase) {
      case "rising": return ["pulling", `Pull beginning, to ${rpm(end)}`, "Full throttle"];
      case "pulling": return live.engine_rpm >= WHOLE_SHARE * end ?
        ["pulling", "End speed. Close the throttle", "Being recorded"] : ["pulling", `Pull to ${rpm(end)}`, "Being recorded"];
      case "coasting": return ["coasting", "Coasting", "Still being recorded: no throttle, no brake"];
      default: return null;
    }
  }

  #isWrong(live) {
    const pulls = ["rising", "pulling"].includes(live.phase) || Boolean(live.load?.run);
    this.#pulledWrong = Boolean(this.#step?.wrong) && (this.#pulledWrong || pulls);
    return this.#pulledWrong;
  }
}
