// Which view is open. The address says it, so that the browser's way back works.

const VIEWS = ["live", "load", "pulls-view", "answer", "journal", "commission"];

export class Views {
  #listeners = [];
  open = "live";

  constructor() {
    addEventListener("hashchange", () => this.#show());
  }

  /** Told the name of the view that opens; at once, too. */
  onOpen(listener) {
    this.#listeners.push(listener);
    listener(this.open);
  }

  /** A place within a view opens that view. */
  start() {
    this.#show();
  }

  #show() {
    const place = location.hash.length > 1 ? document.getElementById(location.hash.slice(1)) : null;
    const view = place?.closest("[data-view]")?.dataset.view;
    this.open = VIEWS.includes(view) ? view : "live";
    for (const part of document.querySelectorAll("[data-view]")) part.hidden = part.dataset.view !== this.open;
    for (const link of document.querySelectorAll(".views a")) {
      if (link.hash.slice(1) === this.open) link.setAttribute("aria-current", "page");
      else link.removeAttribute("aria-current");
    }
    for (const listener of this.#listeners) listener(this.open);
    if (place && place.dataset.view === undefined) place.scrollIntoView();
    else scrollTo(0, 0);
  }
}
