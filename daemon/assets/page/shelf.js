// The shelf: every part, a person's word on it, its picture, and the tests it was in.

import { byId, kept, make, setText } from "./dom.js";
import { blobOf, request } from "./api.js";
import { onSubmit } from "./forms.js";

const RATING_MAX = 5;
const day = (us) => new Date(us / 1000).toLocaleDateString([], { dateStyle: "medium" });

export class Shelf {
  #open = false;
  #stored = null;
  #shown = null;
  #parts = [];
  /** Pictures by name, as they were fetched: their names are made of what is in them. */
  #pictures = new Map();

  constructor(views) {
    onSubmit(byId("shelf-word"), (data) => this.#word(data), byId("shelf-said"));
    byId("shelf-close").addEventListener("click", () => this.#close());
    views.onOpen((view) => {
      this.#open = view === "pulls-view";
      if (this.#open) this.#fetch();
    });
  }

  /** The store has something new. */
  stored(stored) {
    this.#stored = stored;
    if (this.#open && (stored.pulls !== this.#shown?.pulls || stored.setups !== this.#shown?.setups)) this.#fetch();
  }

  restart() { this.#shown = null; }

  async #fetch() {
    this.#shown = this.#stored;
    try {
      this.#parts = (await request("/api/shelf")).parts;
      setText(byId("shelf-count"), this.#parts.length ? "" : "No parts yet: name them with a new setup.");
      byId("shelf-rows").replaceChildren(...this.#parts.map((part) => this.#row(part)));
    } catch (error) {
      setText(byId("shelf-count"), `The parts can't be read: ${error.message}`);
    }
  }

  #row(part) {
    const name = `${part.part} ${part.value}`;
    const change = make("button", { type: "button", "aria-label": `Say something of ${name}` }, "Change\u2026");
    change.dataset.control = "";
    change.addEventListener("click", () => this.#edit(part));
    const picture = make("td", {});
    if (part.picture) this.#picture(part.picture, `Picture of ${name}`).then((image) => picture.replaceChildren(image));
    return make("tr", {},
      make("th", { scope: "row" }, part.part),
      make("td", {}, part.value),
      make("td", {}, part.rating ? `${part.rating} of ${RATING_MAX}` : "\u2013"),
      make("td", {}, part.place || "\u2013"),
      picture,
      make("td", {}, change),
      make("td", { className: "words" }, part.notes, this.#tests(part)));
  }

  #tests(part) {
    if (!part.tests.length) return make("p", {}, part.untested.length ? `Not tested yet, part of ${part.untested.join(", ")}.` : "On no setup.");
    const pulls = part.tests.reduce((sum, test) => sum + test.pulls.length, 0);
    return make("details", {},
      make("summary", {}, `${part.tests.length} ${part.tests.length === 1 ? "test" : "tests"}, ${pulls} ${pulls === 1 ? "pull" : "pulls"}`),
      make("ul", {}, ...part.tests.toReversed().map((test) => make("li", {},
        `${day(test.wall_us)}: ${test.setup}${test.beside ? `, beside ${test.beside}` : ""}; ${test.pulls.length === 1 ? "pull" : "pulls"} ${test.pulls.join(", ")}`
        + (test.excluded.length ? `; left out: ${test.excluded.join(", ")}` : "")))));
  }

  async #picture(name, alt) {
    if (!this.#pictures.has(name)) this.#pictures.set(name, await dataUrl(`/api/shelf/pictures/${name}`));
    const src = this.#pictures.get(name);
    return src ? make("img", { src, alt, className: "part-picture" }) : "gone";
  }

  #edit(part) {
    const form = byId("shelf-word");
    form.hidden = false;
    Object.assign(form.dataset, { part: part.part, value: part.value });
    setText(byId("shelf-title"), `${part.part} ${part.value}`);
    form.elements.rating.value = String(part.rating ?? 0);
    form.elements.place.value = part.place;
    form.elements.notes.value = part.notes;
    setText(byId("shelf-said"), "");
    form.elements.rating.focus();
  }

  #close() { byId("shelf-word").hidden = true; }

  #word(data) {
    const { part, value } = byId("shelf-word").dataset;
    return {
      path: "/api/shelf",
      value: { part, value, rating: Number(data.get("rating")), place: data.get("place"), notes: data.get("notes"), by: kept.get("by") ?? "" },
      then: () => { this.#close(); this.#fetch(); return `Kept: ${part} ${value}.`; },
    };
  }
}

/** A picture as the page may show it; null when it is gone. */
async function dataUrl(path) {
  const blob = await blobOf(path).catch(() => null);
  if (!blob) return null;
  return new Promise((resolve) => {
    const reader = new FileReader();
    reader.addEventListener("loadend", () => resolve(reader.result));
    reader.readAsDataURL(blob);
  });
}
