// The cut and its release. The cut asks again and again until the daemon has it; when that takes
// long the page says to use the emergency stop.

import { byId, setData, setText } from "./dom.js";
import { request } from "./api.js";

const ASK_TIMEOUT_MS = 700;
const ASK_AGAIN_MS = 150;
const ALARM_MS = 1000;
const GIVE_UP_MS = 15000;

export class Safety {
  #live = null;
  #asking = null;
  #releasing = null;
  #fresh = false;
  #lost = false;

  constructor() {
    // Without this script the button is a plain form's, and posts by itself.
    byId("cut-form").addEventListener("submit", (event) => {
      event.preventDefault();
      this.cut("button on the page");
    });
    byId("cut").setAttribute("aria-keyshortcuts", "Escape");
    byId("cut-key").hidden = false;
    // Escape cuts wherever the focus is, also while something is being written.
    addEventListener("keydown", (event) => {
      if (event.key !== "Escape" || event.repeat || event.isComposing) return;
      event.preventDefault();
      this.cut("Escape key on the page");
    }, { capture: true });
    byId("release").addEventListener("click", () => this.#step());
    byId("release-keep").addEventListener("click", () => { this.#close(); byId("release").focus(); });
    byId("release-confirm").addEventListener("click", () => this.#release());
  }

  async cut(reason) {
    this.#close();
    if (this.#asking) return;
    const asking = { began: performance.now(), taken: false, failed: false, error: "" };
    this.#asking = asking;
    this.#show();
    // Until it is taken, or seen to be in force, which ends the asking elsewhere.
    while (this.#asking === asking && performance.now() - asking.began < GIVE_UP_MS) {
      try {
        await request("/api/cut", { reason }, ASK_TIMEOUT_MS);
        asking.taken = true;
        break;
      } catch (error) {
        asking.error = error.message;
        this.#show();
        if (error.status === 401) break;
        await new Promise((resolve) => setTimeout(resolve, ASK_AGAIN_MS));
      }
    }
    asking.failed = !asking.taken;
    this.#show();
  }

  /** A live event, or time, passed. `link` is what is known of the daemon. */
  show(live, link) {
    this.#live = live;
    this.#fresh = link === "live";
    this.#lost = link === "lost";
    this.#show();
  }

  #show() {
    const latch = this.#fresh ? this.#live?.cut.latch : undefined;
    const asking = this.#asking;
    if (asking && latch === "confirmed") this.#asking = null;
    const waited = asking ? performance.now() - asking.began : 0;
    // A cut that was taken but is over again (released elsewhere) is no longer asked for.
    if (asking?.taken && latch === "running" && waited > 2 * ALARM_MS) this.#asking = null;
    const alarm = this.#asking && (asking.failed || waited > ALARM_MS);
    const unconfirmed = alarm ? `The cut is not confirmed${asking.error && !asking.taken ? ` (${asking.error})` : ""}. Use the emergency stop.` : "";
    // What the daemon saw last holds until it says otherwise, however old it is.
    const seen = this.#live?.alarm;
    setText(byId("alarm"), seen ? `${seen[0].toUpperCase()}${seen.slice(1)}.` : unconfirmed);
    const label = () => {
      if (this.#asking) return "Cutting\u2026";
      if (this.#lost) return "Try to cut";
      return latch === "confirmed" || latch === "requested" ? "Cut again" : "Cut the engine";
    };
    setText(byId("cut-label"), label());
    const releasable = latch === "confirmed" && this.#live.cut.cut_id !== null && document.body.dataset.access === "control";
    byId("release").hidden = !releasable || this.#releasing !== null;
    if (releasable) setText(byId("release"), `Release cut ${this.#live.cut.cut_id}\u2026`);
    if (this.#releasing !== null && this.#live?.cut.cut_id !== this.#releasing) this.#close();
    if (asking?.failed && this.#fresh && latch === "running" && waited > GIVE_UP_MS) this.#asking = null;
  }

  #step() {
    const { cut_id: id, cuts, cuts_more: more } = this.#live.cut;
    this.#releasing = id;
    // The number names all that is shown; one that comes meanwhile is not released with it.
    const causes = cuts.map(({ number, cause }) => `Cut ${number}: ${cause}.`).join(" ");
    const question = cuts.length + more > 1 ? "Are all causes gone" : "Is its cause gone";
    byId("release-words").textContent = `${causes}${more ? ` And ${more} more.` : ""} ${question}, and nobody near the drum?`;
    byId("release-confirm").textContent = cuts.length + more > 1 ? `Release all, up to cut ${id}` : `Release cut ${id}`;
    byId("release-step").hidden = false;
    setData(document.body, "releasing", true);
    this.#show();
    byId("release-keep").focus();
  }

  #close() {
    this.#releasing = null;
    byId("release-step").hidden = true;
    setData(document.body, "releasing", false);
  }

  async #release() {
    const id = this.#releasing;
    byId("release-confirm").disabled = true;
    try {
      await request("/api/release", { cut_id: id });
      this.#close();
    } catch (error) {
      byId("release-words").textContent = `Not released: ${error.message}.`;
    } finally {
      byId("release-confirm").disabled = false;
      this.#show();
      byId("cut").focus();
    }
  }
}
