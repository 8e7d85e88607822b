// A stand-in for the daemon that serves the real page and hours of made-up live values as fast as
// the page takes them.

import { readFileSync } from "node:fs";
import { createServer } from "node:http";
import { join, normalize } from "node:path";
import { ROOT } from "./daemon.mjs";

const PAGE = join(ROOT, "daemon/assets/page");
const FONTS = { "fonts/regular.otf": "LeverarmSans-Regular.otf", "fonts/bold.otf": "LeverarmSans-Bold.otf" };
const TYPES = { html: "text/html", css: "text/css", js: "text/javascript", svg: "image/svg+xml", json: "application/json", otf: "font/otf" };
const EVERY_US = 33333;

/** `stand` is a real daemon's answer; `live` one of its live events, changed as time goes by. */
export class Fake {
  sent = 0;
  pulls = 0;
  events = 0;
  /** So many times it is too busy for a curve. */
  refusals = 0;
  /** Its clock is the machine's, so that what a busy machine sends late is not old. */
  inRealTime = false;

  constructor({ stand, live, curve }) {
    Object.assign(this, { stand, live, curve });
    this.server = createServer((request, response) => this.#answer(request, response));
  }

  async listen() {
    await new Promise((resolve) => this.server.listen(0, "127.0.0.1", resolve));
    this.url = `http://127.0.0.1:${this.server.address().port}`;
  }

  close() {
    this.server.closeAllConnections();
    this.server.close();
  }

  #json(response, value) {
    response.setHeader("Content-Type", "application/json");
    response.end(JSON.stringify(value));
  }

  #answer(request, response) {
    const { pathname, searchParams } = new URL(request.url, "http://localhost");
    switch (pathname) {
      case "/api/stand": return this.#json(response, this.stand);
      case "/api/setups": return this.#json(response, { setups: [], current: null });
      case "/api/plan": return this.#json(response, { plan: null });
      case "/api/live/minute": return this.#json(response, { mono_us: [], engine_rpm: [], torque_nm: [], torque_expanded_uncertainty_nm: [], power_w: [], phase: [] });
      case "/api/events": return this.#json(response, { events: this.journal(searchParams) });
      case "/api/pulls": return this.#json(response, { pulls: this.#list(), more: true });
      case "/api/live/stream":
        response.setHeader("Content-Type", "text/event-stream");
        this.stream = response;
        return response.write(this.#stored());
    }
    if (pathname.endsWith("/curve") && this.refusals > 0) {
      this.refusals--;
      response.statusCode = 503;
      return this.#json(response, { error: "busy" });
    }
    if (pathname.endsWith("/curve")) return this.#json(response, { ...this.curve, id: Number(pathname.split("/")[3]) });
    const name = normalize(pathname === "/" ? "index.html" : pathname.replace("/assets/", ""));
    const file = FONTS[name] ? join(ROOT, "daemon/assets/fonts", FONTS[name]) : join(PAGE, name);
    response.setHeader("Content-Type", TYPES[file.split(".").at(-1)] ?? "text/plain");
    return response.end(readFileSync(file));
  }

  #list() {
    return Array.from({ length: Math.min(12, this.pulls) }, (_, index) => ({
      id: this.pulls - index, setup: "main jet 105", state: "stored", started_wall_us: 0, reasons: [], note: "", air: null, excluded: null,
    }));
  }

  /** The newest events; a test may give its own. */
  journal(_query) {
    return Array.from({ length: Math.min(20, this.events) }, (_, index) => ({
      id: this.events - index, wall_us: 1e15 + index, severity: "warning", kind: "test", channel: null, message: `event ${this.events - index}`,
    }));
  }

  #stored() {
    return `event: stored\ndata: ${JSON.stringify({ setup: "main jet 105", air: null, pulls: this.pulls, setups: 0, events: this.events })}\n\n`;
  }

  /** One live event; a pull of 4 s every 20 s, and an event in the journal every 7 s. */
  #event() {
    const second = (this.sent * EVERY_US) / 1e6;
    const inPull = second % 20;
    const pulling = inPull < 4;
    const rpm = pulling ? 3200 + 1425 * inPull : 3200;
    let text = "";
    if (Math.floor(second / 20) > this.pulls || Math.floor(second / 7) > this.events) {
      this.pulls = Math.floor(second / 20);
      this.events = Math.floor(second / 7);
      text = this.#stored();
    }
    const monoUs = this.inRealTime ? Math.round(performance.now() * 1000) : 1e6 + this.sent * EVERY_US;
    const live = { ...this.live, mono_us: monoUs, engine_rpm: rpm, drum_rpm: rpm / 5.5,
      torque_nm: this.torque_nm ?? 5 + Math.sin(second), phase: pulling ? "pulling" : "ready" };
    this.sent += 1;
    return `${text}event: live\ndata: ${JSON.stringify(live)}\n\n`;
  }

  /** Sends so many seconds of values, no faster than they are taken. */
  async play(seconds) {
    const end = this.sent + Math.round((seconds * 1e6) / EVERY_US);
    while (this.sent < end) {
      let text = "";
      for (let each = 0; each < 4 && this.sent < end; each++) text += this.#event();
      if (!this.stream.write(text)) await new Promise((resolve) => this.stream.once("drain", resolve));
      else if (this.sent % 40 === 0) await new Promise((resolve) => setTimeout(resolve, 2));
    }
  }

  /** Keeps the page fresh while it is looked at. */
  async idle(milliseconds) {
    const end = Date.now() + milliseconds;
    while (Date.now() < end) {
      this.stream.write(this.#event());
      await new Promise((resolve) => setTimeout(resolve, 33));
    }
  }
}
