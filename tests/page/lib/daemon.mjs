// A real daemon on a simulated stand, in a folder of its own.

import { spawn } from "node:child_process";
import { mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { createServer } from "node:net";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";

export const ROOT = fileURLToPath(new URL("../../..", import.meta.url));
export const PROGRAM = process.env.LEVERARM_BIN ?? join(ROOT, "target/debug/leverarm");
const STANDS = join(ROOT, "daemon/src/rehearsal");

export const pause = (ms) => new Promise((resolve) => setTimeout(resolve, ms));

/** How long a thing is waited for: for a failure, not a measure. */
export const LIMIT_MS = 120000;

/** Waits until `look` gives something true. */
export async function until(what, look, limitMs = LIMIT_MS) {
  const end = Date.now() + limitMs;
  let last;
  while (Date.now() < end) {
    try {
      last = await look();
      if (last) return last;
    } catch (error) {
      last = error;
    }
    await pause(50);
  }
  throw new Error(`waited ${limitMs} ms in vain for ${what}; last: ${last}`);
}

/** Below the ports that the system gives to clients: other tests make thousands of these meanwhile. Above 10080, the
 *  last of those that browsers refuse (WHATWG Fetch, "port blocking"). */
export function freePort() {
  return new Promise((resolve) => {
    const server = createServer();
    const port = 10_081 + Math.floor(22_000 * Math.random());
    server.once("error", () => resolve(freePort()));
    server.listen(port, "127.0.0.1", () => server.close(() => resolve(port)));
  });
}

export class Daemon {
  log = "";

  static async start(options = {}) {
    const daemon = new Daemon();
    daemon.options = { pulls: 0, stand: "demo.toml", arguments: [], host: "127.0.0.1", environment: {}, change: (text) => text, prepare: () => {}, ...options };
    daemon.folder = mkdtempSync(join(tmpdir(), "leverarm-page-"));
    daemon.port = await freePort();
    daemon.stand = join(daemon.folder, "stand.toml");
    const address = `${daemon.options.host}:${daemon.port}`;
    // A busy machine that is late with a heartbeat, or hears its board late, must not cut the pull that a
    // test waits for.
    const stand = readFileSync(join(STANDS, daemon.options.stand), "utf8").replace(/^heartbeat_timeout = .*$/m, 'heartbeat_timeout = "2 s"')
      .replace('limit = "500 ms"', 'limit = "5 s"');
    writeFileSync(daemon.stand, daemon.options.change(stand).replace("127.0.0.1:0", address));
    daemon.options.prepare(daemon.folder);
    try {
      await daemon.run();
    } catch (error) {
      // The tests would wait for it.
      await daemon.end();
      throw error;
    }
    return daemon;
  }

  async run(pulls = this.options.pulls) {
    const list = ["rehearse", "-c", this.stand, "--pulls", String(pulls), ...this.options.arguments];
    const environment = { ...process.env, ...this.options.environment };
    this.process = spawn(PROGRAM, list, { cwd: this.folder, env: environment });
    for (const stream of [this.process.stdout, this.process.stderr]) stream.on("data", (text) => { this.log += text; });
    this.ended = new Promise((resolve) => this.process.once("exit", resolve));
    await until(`the daemon; it said:\n${this.log}`, async () => (await fetch(`${this.url}/assets/icon.svg`)).ok);
  }

  get url() { return `http://127.0.0.1:${this.port}`; }

  /** The folder of the rehearsal's store. */
  get store() {
    return join(this.folder, readdirSync(this.folder).find((name) => name.endsWith("-rehearsal")));
  }

  /** The file in it with the tokens that the daemon made. */
  get tokenFile() { return join(this.store, "tokens"); }

  token(kind) {
    return new RegExp(`^${kind} (.+)$`, "m").exec(readFileSync(this.tokenFile, "utf8"))?.[1];
  }

  async get(path, token) {
    const response = await fetch(this.url + path, { headers: token ? { Authorization: `Bearer ${token}` } : {} });
    return response.json();
  }

  post(path, body, headers = {}) {
    return fetch(this.url + path, {
      method: "POST",
      headers: { "Content-Type": "application/json", ...headers },
      body: typeof body === "string" ? body : JSON.stringify(body),
    });
  }

  signal(name) { this.process.kill(name); }

  async kill() {
    this.signal("SIGKILL");
    await this.ended;
  }

  async end() {
    await this.kill();
    rmSync(this.folder, { recursive: true, force: true });
  }
}
