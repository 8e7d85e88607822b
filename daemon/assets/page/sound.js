// Sounds for people with ear muffs who look elsewhere: end speed reached, stored, cut. Off until somebody
// asks for them.

import { byId, kept } from "./dom.js";

// Tones of one sound: Hz, from and to in s. A muff lets low tones through better than high ones.
const TONES = {
  end: [[880, 0, 0.5]],
  stored: [[523, 0, 0.18], [784, 0.2, 0.55]],
  aborted: [[392, 0, 0.25], [294, 0.3, 0.8]],
  cut: [[220, 0, 0.25], [220, 0.35, 0.6], [220, 0.7, 1.2]],
};
/** From this share of its end speed on a pull is whole: the throttle may be closed. */
export const WHOLE_SHARE = 0.99;
const LOUDNESS = 0.4;
const FADE_S = 0.02;

export class Sound {
  #context = null;
  #box = byId("sound");
  #wasCut = null;
  #ended = false;

  constructor() {
    this.#box.checked = kept.get("sound") === "on";
    this.#box.addEventListener("change", () => {
      kept.set("sound", this.#box.checked ? "on" : null);
      if (this.#box.checked) this.play("stored");
    });
    // A browser lets a page make sounds once somebody has touched it.
    addEventListener("pointerdown", () => { if (this.#box.checked) this.#wake(); });
    addEventListener("keydown", () => { if (this.#box.checked) this.#wake(); });
  }

  #wake() {
    this.#context ??= new AudioContext();
    if (this.#context.state === "suspended") this.#context.resume().catch(() => { /* not touched yet */ });
    return this.#context;
  }

  play(name) {
    if (!this.#box.checked || typeof AudioContext !== "function") return;
    const context = this.#wake();
    // What could not be heard when it happened is not made up for later.
    if (context.state === "suspended" && !navigator.userActivation?.hasBeenActive) return;
    for (const [hz, from, to] of TONES[name]) {
      const tone = new OscillatorNode(context, { type: "triangle", frequency: hz });
      const volume = new GainNode(context, { gain: 0 });
      const begin = context.currentTime + from;
      const end = context.currentTime + to;
      volume.gain.setValueAtTime(0, begin);
      volume.gain.linearRampToValueAtTime(LOUDNESS, begin + FADE_S);
      volume.gain.setValueAtTime(LOUDNESS, end - FADE_S);
      volume.gain.linearRampToValueAtTime(0, end);
      tone.connect(volume).connect(context.destination);
      tone.start(begin);
      tone.stop(end);
    }
  }

  /** Listens to live values for what has a sound. */
  live(live, endRpm) {
    const isCut = live.cut.latch === "requested" || live.cut.latch === "confirmed";
    if (isCut && this.#wasCut === false) this.play("cut");
    this.#wasCut = isCut;
    const ended = live.phase === "pulling" && live.engine_rpm >= WHOLE_SHARE * endRpm;
    if (ended && !this.#ended) this.play("end");
    if (live.phase !== "pulling" || ended) this.#ended = ended;
  }
}
