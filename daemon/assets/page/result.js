// What came of a pull, in a few words: stored, with its peak and how it compares with the last ones of the
// same setup, or why not.

import { request } from "./api.js";
import { hasCurve } from "./chart.js";
import { numberText } from "./units.js";

const PULLS = 12;
const COMPARED = 3;
const AGAIN_MS = 2000;
// Pulls whose mean torque is within this share are alike. Common practice, no source.
const ALIKE_SHARE = 0.01;
const WORDS = ["", "the one before", "the last two", "the last three"];

export class Results {
  #units;
  #tell;
  #seen = null;
  #newest = null;
  #curves = new Map();
  #busy = false;
  #again = false;

  /** `tell` gets { text, more, at, stored }; `at` is in the past for a pull made before the page came. */
  constructor(units, tell) {
    this.#units = units;
    this.#tell = tell;
  }

  /** The store has something new. */
  stored({ pulls }) {
    if (pulls !== this.#seen) this.#update();
    this.#seen = pulls;
  }

  async #update() {
    if (this.#busy) {
      this.#again = true;
      return;
    }
    this.#busy = true;
    try {
      do {
        this.#again = false;
        await this.#look();
      } while (this.#again);
    } catch {
      // A curve that takes long is kept by the daemon and there the next time.
      setTimeout(() => this.#update(), AGAIN_MS);
    } finally {
      this.#busy = false;
    }
  }

  /** The daemon started again, with the same pulls. */
  restart() {
    this.#seen = null;
    this.#curves.clear();
  }

  async #look() {
    const { pulls } = await request(`/api/pulls?limit=${PULLS}`);
    const over = pulls.filter(hasCurve);
    const [pull] = over;
    const isFirstLook = this.#newest === null;
    if (!pull || pull.id === this.#newest) {
      this.#newest ??= 0;
      return;
    }
    const at = isFirstLook ? -Infinity : performance.now();
    this.#tell({ ...await this.#words(pull, over), at, stored: pull.state === "stored" });
    this.#newest = pull.id;
  }

  async #words(pull, over) {
    if (pull.state !== "stored") return { text: `pull ${pull.id} ${pull.state}`, more: pull.reasons[0] ?? "" };
    const curve = await this.#curve(pull.id);
    if (!curve) return { text: `pull ${pull.id} stored`, more: "no curve from it" };
    if (curve.peak_torque_nm === null) return { text: `pull ${pull.id} stored`, more: curve.remarks[0] ?? "" };
    const peak = `, ${this.#torque(curve.peak_torque_nm)}`;
    const alike = over.slice(1).filter((each) => each.state === "stored" && !each.excluded && each.setup === pull.setup).slice(0, COMPARED);
    const before = [];
    for (const each of alike) {
      const curve = await this.#curve(each.id);
      if (curve) before.push(curve);
    }
    return { text: `pull ${pull.id} stored${peak}`, more: this.#compared(curve, before, pull.setup) };
  }

  #compared(curve, before, setup) {
    if (!before.length) return setup === null ? "" : `the first with ${setup}`;
    const offs = before.map((other) => meanOff(curve, other)).filter((off) => off !== null);
    if (!offs.length) return "";
    const off = offs.reduce((sum, each) => sum + each.nm, 0) / offs.length;
    const mean = offs.reduce((sum, each) => sum + each.of, 0) / offs.length;
    const whom = WORDS[offs.length];
    if (Math.abs(off) <= ALIKE_SHARE * Math.abs(mean)) return `as ${whom}`;
    return `${this.#torque(Math.abs(off))} ${off > 0 ? "above" : "below"} ${whom}`;
  }

  #torque(si) {
    return `${numberText(this.#units.number("torque", si), 2)}\u00a0${this.#units.symbol("torque")}`;
  }

  async #curve(id) {
    if (!this.#curves.has(id)) {
      const curve = await request(`/api/pulls/${id}/curve`).catch((error) => {
        if (error.status === 409 || error.status === 404) return null;
        throw error;
      });
      this.#curves.set(id, curve && { rpm: curve.rpm, torque_nm: curve.torque_nm, peak_torque_nm: curve.peak_torque_nm, remarks: curve.remarks });
      if (this.#curves.size > PULLS) this.#curves.delete(this.#curves.keys().next().value);
    }
    return this.#curves.get(id);
  }
}

/** By how much one curve lies above another on average where both are known, and what that is of. */
function meanOff(curve, other) {
  const others = new Map(other.rpm.map((rpm, i) => [rpm, other.torque_nm[i]]));
  let [off, of, count] = [0, 0, 0];
  curve.rpm.forEach((rpm, i) => {
    const [mine, theirs] = [curve.torque_nm[i], others.get(rpm) ?? null];
    if (mine === null || theirs === null) return;
    off += mine - theirs;
    of += theirs;
    count += 1;
  });
  return count ? { nm: off / count, of: of / count } : null;
}
