// The test plan's line: what is next, and what the stand waits for.

import { byId, make } from "./dom.js";
import { request } from "./api.js";

const EVERY_MS = 5000;

export class PlanLine {
  #timer = 0;

  /** Asks anew; while a pull is to be made, temperatures change, so again and again. */
  async update() {
    clearTimeout(this.#timer);
    const line = byId("plan");
    let plan;
    try {
      plan = await request("/api/plan");
    } catch {
      return; // The next change, or the next daemon, brings it.
    }
    line.hidden = !plan.plan || plan.left;
    if (line.hidden) return;
    const waits = plan.next.what === "pull" ? (plan.not_ready.length ? plan.not_ready : ["ready"]) : [];
    line.replaceChildren(make("strong", {}, `Test plan, ${plan.words}`), ...waits.map((wait) => make("span", {}, `; ${wait}`)));
    if (plan.next.what === "pull") this.#timer = setTimeout(() => this.update(), EVERY_MS);
  }
}
