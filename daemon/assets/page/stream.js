// The daemon's live events over one long request, opened again whenever it ends. Used by the shared
// worker and, where there is none, by the page itself.

// A live daemon sends some thirty events a second: this much silence means that the line is dead.
const SILENCE_MS = 2500;
const PAUSES_MS = [100, 250, 500, 1000];
const REFUSED_PAUSE_MS = 5000;

export class Stream {
  #token;
  #send;
  #abort = null;
  #running = false;

  /** `send` gets { type: "live" | "stored", data } with the text of an event, { type: "down" }, and
   *  { type: "refused", status, error }. */
  constructor(token, send) {
    this.#token = token;
    this.#send = send;
  }

  start() {
    if (this.#running) return;
    this.#running = true;
    this.#run();
  }

  stop() {
    this.#running = false;
    this.#abort?.abort();
  }

  async #run() {
    let attempt = 0;
    while (this.#running) {
      let pause = PAUSES_MS[Math.min(attempt++, PAUSES_MS.length - 1)];
      try {
        const outcome = await this.#listen(() => { attempt = 0; });
        if (outcome?.refused) {
          this.#send({ type: "refused", ...outcome.refused });
          if (outcome.refused.status === 401 || outcome.refused.status === 403) this.#running = false;
          pause = REFUSED_PAUSE_MS;
        } else {
          this.#send({ type: "down" });
        }
      } catch {
        this.#send({ type: "down" });
      }
      if (this.#running) await new Promise((resolve) => setTimeout(resolve, pause));
    }
  }

  async #listen(heard) {
    const abort = new AbortController();
    this.#abort = abort;
    let silence = setTimeout(() => abort.abort(), SILENCE_MS);
    try {
      const headers = this.#token ? { Authorization: `Bearer ${this.#token}` } : {};
      const response = await fetch("/api/live/stream", { headers, cache: "no-store", signal: abort.signal });
      if (!response.ok) {
        const answer = await response.json().catch(() => ({}));
        return { refused: { status: response.status, error: answer.error ?? "" } };
      }
      const reader = response.body.getReader();
      const decoder = new TextDecoder();
      let rest = "";
      for (;;) {
        const { done, value } = await reader.read();
        if (done) return null;
        clearTimeout(silence);
        silence = setTimeout(() => abort.abort(), SILENCE_MS);
        heard();
        rest += decoder.decode(value, { stream: true });
        const events = rest.split("\n\n");
        rest = events.pop();
        this.#pass(events);
      }
    } finally {
      clearTimeout(silence);
      abort.abort();
    }
  }

  /** Of several live events that came together only the newest matters. */
  #pass(events) {
    let live = null;
    for (const event of events) {
      const fields = /^event: (\w+)\ndata: (.*)$/s.exec(event);
      if (!fields) continue;
      if (fields[1] === "live") live = fields[2];
      else this.#send({ type: fields[1], data: fields[2] });
    }
    if (live !== null) this.#send({ type: "live", data: live });
  }
}
