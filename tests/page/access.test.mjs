// Who may do what over HTTP, and what a client that misbehaves gets.

import assert from "node:assert/strict";
import { execFile } from "node:child_process";
import { copyFileSync, mkdtempSync, rmSync } from "node:fs";
import { request } from "node:http";
import { connect } from "node:net";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { after, before, test } from "node:test";
import { fileURLToPath } from "node:url";
import { promisify } from "node:util";
import { Daemon, PROGRAM, until } from "./lib/daemon.mjs";

const run = promisify(execFile);
let open;
let locked;
before(async () => {
  open = await Daemon.start();
  locked = await Daemon.start({ arguments: ["--require-token"] });
});
after(async () => {
  await open.end();
  await locked.end();
});

/** A request with headers that fetch would not let us choose. */
function raw(daemon, { method = "GET", path = "/api/live", headers = {}, body = "" }) {
  return new Promise((resolve, reject) => {
    const asked = request({ host: "127.0.0.1", port: daemon.port, method, path, headers }, (response) => {
      let text = "";
      response.on("data", (chunk) => { text += chunk; });
      response.on("end", () => resolve({ status: response.statusCode, headers: response.headers, text }));
    });
    asked.on("error", reject);
    asked.end(body);
  });
}

const json = { "Content-Type": "application/json" };
const bearer = (token) => ({ Authorization: `Bearer ${token}` });
const latch = async (daemon, token) => (await daemon.get("/api/live", token)).cut.latch;

test("another name for this machine is refused, for reading too", async () => {
  for (const host of ["stand.example", `stand.example:${open.port}`, "192.168.1.5"]) {
    const { status, text } = await raw(open, { headers: { Host: host } });
    assert.equal(status, 403, text);
  }
  for (const host of ["localhost", `localhost:${open.port}`, "127.0.0.1", "[::1]:99"]) {
    assert.equal((await raw(open, { headers: { Host: host } })).status, 200, host);
  }
});

test("a page of another site can't change anything", async () => {
  const post = (headers, body = "{}") => raw(open, { method: "POST", path: "/api/cut", headers: { Host: `localhost:${open.port}`, ...headers }, body });
  for (const origin of ["http://evil.example", "null", `http://localhost:1`, "https://localhost.evil.example"]) {
    assert.equal((await post({ ...json, Origin: origin })).status, 403, origin);
  }
  assert.equal((await post({ ...json, "Sec-Fetch-Site": "cross-site" })).status, 403);
  assert.equal((await post({ ...json, "Sec-Fetch-Site": "same-site" })).status, 403);
  // What a form or a simple request of a foreign page can send is no JSON.
  for (const type of ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x"]) {
    assert.equal((await post({ "Content-Type": type })).status, 415, type);
  }
  assert.equal((await post({})).status, 415);
  assert.equal(await latch(open), "running");
  // A preflight gets no leave.
  const { headers } = await raw(open, { method: "OPTIONS", path: "/api/cut", headers: { Host: "localhost", Origin: "http://evil.example", "Access-Control-Request-Method": "POST" } });
  assert.equal(headers["access-control-allow-origin"], undefined);
  // The page's own request passes.
  const own = await post({ ...json, Origin: `http://localhost:${open.port}`, "Sec-Fetch-Site": "same-origin" });
  assert.equal(own.status, 200);
  await until("the cut", async () => (await latch(open)) === "confirmed");
  await open.post("/api/release", { cut_id: (await open.get("/api/live")).cut.cut_id });
  await until("the release", async () => (await latch(open)) === "running");
});

test("the cut's form passes from this page only, and says what became of it", async () => {
  const post = (daemon, headers, body = "") => raw(daemon, { method: "POST", path: "/cut", headers: { Host: `localhost:${daemon.port}`, "Content-Type": "application/x-www-form-urlencoded", ...headers }, body });
  const own = (daemon) => ({ Origin: `http://localhost:${daemon.port}` });
  for (const headers of [{}, { Origin: "null" }, { Origin: "http://evil.example" }, { ...own(open), "Sec-Fetch-Site": "cross-site" }, { ...own(open), Host: "stand.example" }]) {
    const { status } = await post(open, headers);
    assert.equal(status, 403, JSON.stringify(headers));
  }
  assert.equal((await post(open, { ...own(open), "Content-Type": "text/plain" })).status, 415);
  assert.equal(await latch(open), "running");
  const done = await post(open, own(open));
  assert.equal(done.status, 200);
  assert.match(done.headers["content-type"], /^text\/html/);
  const [, number] = /The engine is cut.*The board confirms cut (\d+)/s.exec(done.text);
  assert.equal(await latch(open), "confirmed");
  await open.post("/api/release", { cut_id: Number(number) });
  await until("the release", async () => (await latch(open)) === "running");

  const look = locked.token("read");
  for (const [body, status] of [["", 401], ["token=", 401], ["token=this-is-a-wrong-token", 401], [`token=${look}&token=${look}`, 422]]) {
    const { status: found, text } = await post(locked, own(locked), body);
    assert.equal(found, status, text);
    assert.match(text, /Use the emergency stop.*Not cut/s);
    assert.ok(!text.includes("this-is-a-wrong-token"));
  }
  assert.equal(await latch(locked, look), "running");
  assert.match((await post(locked, own(locked), `token=${look}`)).text, /The board confirms cut 1/);
  assert.equal((await locked.post("/api/release", { cut_id: 1 }, bearer(locked.token("control")))).status, 200);
  await until("the release", async () => (await latch(locked, look)) === "running");
});

test("a token is needed, the lesser one looks and cuts, the other does everything", async () => {
  const control = locked.token("control");
  const look = locked.token("read");
  for (const path of ["/api/stand", "/api/live", "/api/live/stream", "/api/pulls", "/api/setups", "/api/events", "/metrics"]) {
    const none = await raw(locked, { path });
    assert.equal(none.status, 401, path);
    assert.equal(none.headers["www-authenticate"], "Bearer");
  }
  for (const path of ["/", "/assets/app.js", "/api/openapi.json"]) assert.equal((await raw(locked, { path })).status, 200, path);
  const post = async (path, body, token) => (await locked.post(path, body, token ? bearer(token) : {})).status;
  for (const [path, body] of [["/api/setup", { name: "x" }], ["/api/air", null], ["/api/release", { cut_id: 1 }], ["/api/pulls/1/note", { note: "" }]]) {
    assert.equal(await post(path, body), 401, path);
    assert.equal(await post(path, body, look), 403, path);
  }
  assert.equal(await post("/api/setup", { name: "x" }, control), 200);
  assert.equal(await post("/api/cut", {}), 401);
  assert.equal(await post("/api/cut", {}, look), 200);
  await until("the cut", async () => (await latch(locked, look)) === "confirmed");
  const { cut_id: number } = (await locked.get("/api/live", look)).cut;
  assert.equal(await post("/api/release", { cut_id: number }, control), 200);
  // A token in the address is not one: addresses end up in logs.
  assert.equal((await raw(locked, { path: `/api/live?token=${control}` })).status, 401);
});

test("the command line works with a token, and says so without", async () => {
  // Beside this copy there is no store with the daemon's tokens, as on another machine.
  const elsewhere = mkdtempSync(join(tmpdir(), "leverarm-page-"));
  const stand = join(elsewhere, "stand.toml");
  copyFileSync(locked.stand, stand);
  const leverarm = (list, environment = {}, file = stand) =>
    run(PROGRAM, [...list, "-c", file], { env: { ...process.env, LEVERARM_TOKEN: undefined, ...environment } });
  await assert.rejects(leverarm(["cut", "test"]), /a token is needed/);
  await assert.rejects(leverarm(["cut", "test"], { LEVERARM_TOKEN: "another" }), /not in\s+force/);
  const { stdout } = await leverarm(["cut", "test"], { LEVERARM_TOKEN: locked.token("read") });
  assert.match(stdout, /the board confirms cut (\d+)/);
  const [, number] = /confirms cut (\d+)/.exec(stdout);
  await assert.rejects(leverarm(["release", number], { LEVERARM_TOKEN: locked.token("read") }), /needs the control\s+token/);
  assert.match((await leverarm(["release", number, "--token-file", locked.tokenFile])).stdout, /released/);
  // Who may read the daemon's store has its tokens.
  assert.match((await leverarm(["setup", "main jet 105"], {}, locked.stand)).stdout, /main jet 105/);
  assert.match((await leverarm(["setup", "main jet 108"], { LEVERARM_TOKEN: locked.token("control") })).stdout, /main jet 108/);
  const help = (await leverarm(["cut", "--help"], { LEVERARM_TOKEN: "not-to-be-shown" })).stdout;
  assert.ok(!help.includes("not-to-be-shown"));
  rmSync(elsewhere, { recursive: true });
});

test("wrong tokens are slowed down, the right one never", async () => {
  const statuses = [];
  for (let guess = 0; guess < 15; guess++) statuses.push((await raw(locked, { headers: bearer(`guess-number-${guess}-of-many`) })).status);
  assert.equal(statuses[0], 401);
  assert.equal(statuses.at(-1), 429);
  const { headers } = await raw(locked, { headers: bearer("guess") });
  assert.ok(Number(headers["retry-after"]) >= 1 && Number(headers["retry-after"]) <= 60);
  assert.equal((await locked.post("/api/cut", {}, bearer(locked.token("read")))).status, 200);
  const numbers = await (await fetch(`${locked.url}/metrics`, { headers: bearer(locked.token("read")) })).text();
  assert.ok(Number(/^leverarm_http_wrong_tokens_total (\d+)$/m.exec(numbers)[1]) >= 16);
});

test("bodies that are too large, broken or wrong are refused with a reason", async () => {
  const tries = [
    ["/api/setup", { name: "x".repeat(70000) }, 413, /length limit/],
    ["/api/setup", "{\"name\": ", 400, /EOF/],
    ["/api/setup", { name: "" }, 422, /needs one/],
    ["/api/setup", { name: "two\nlines" }, 422, /one line/],
    ["/api/setup", { name: "x".repeat(101) }, 422, /at most 100/],
    ["/api/setup", { name: "x", parts: { jet: 105 } }, 422, /expected a text/],
    ["/api/setup", { nme: "x" }, 422, /unknown field/],
    ["/api/release", { cut_id: 5e9 }, 422, /u32/],
    ["/api/release", { cut_id: 7 }, 409, /no cut to release/],
    ["/api/air", { pressure_pa: 1 }, 422, /missing field/],
    ["/api/pulls/99/note", { note: "x" }, 404, /pull/],
    ["/api/pulls/x/note", { note: "x" }, 400, /number/],
  ];
  for (const [path, body, status, reason] of tries) {
    const answer = await open.post(path, body);
    const { error } = await answer.json();
    assert.equal(answer.status, status, `${path} ${JSON.stringify(body).slice(0, 60)}: ${error}`);
    assert.match(error, reason);
  }
  assert.equal((await raw(open, { method: "DELETE", path: "/api/live" })).status, 405);
  assert.equal((await raw(open, { path: "/api/nothing" })).status, 404);
  assert.equal((await raw(open, { path: "/assets/..%2f..%2fCargo.toml" })).status, 404);
});

test("every answer carries the headers that keep other sites out", async () => {
  for (const path of ["/", "/assets/app.js", "/api/live", "/api/nothing", "/metrics"]) {
    const { headers } = await raw(open, { path });
    assert.match(headers["content-security-policy"], /default-src 'none'.*frame-ancestors 'none'/, path);
    assert.ok(!headers["content-security-policy"].includes("unsafe"), path);
    assert.equal(headers["x-content-type-options"], "nosniff", path);
    assert.equal(headers["referrer-policy"], "same-origin", path);
  }
  assert.equal((await raw(open, {})).headers["cache-control"], "no-store");
  const first = await raw(open, { path: "/assets/app.js" });
  assert.equal((await raw(open, { path: "/assets/app.js", headers: { "If-None-Match": first.headers.etag } })).status, 304);
});

test("clients are bounded: streams and connections", async () => {
  const abort = new AbortController();
  const streams = [];
  for (let each = 0; each < 33; each++) streams.push(await fetch(`${open.url}/api/live/stream`, { signal: abort.signal }));
  assert.equal(streams.filter(({ status }) => status === 200).length, 32);
  assert.equal(streams.at(-1).status, 503);
  abort.abort();
  await until("room again", async () => /^leverarm_http_streams 0$/m.test(await (await fetch(`${open.url}/metrics`)).text()));

  // Connections that ask nothing: a crowd never keeps the next one out, and is gone after a while.
  const sockets = Array.from({ length: 1000 }, () => connect(open.port, "127.0.0.1").on("error", () => {}));
  let closed = 0;
  for (const socket of sockets) socket.on("close", () => { closed += 1; });
  await until("the excess closed", () => closed >= 1000 - 768);
  assert.equal((await raw(open, {})).status, 200);
  await until("all closed", () => closed === 1000);
});

test("a client that takes nothing is dropped, and one that never ends its request", async () => {
  const script = fileURLToPath(new URL("lib/slow_clients.py", import.meta.url));
  const { stdout } = await run("python3", [script, String(open.port)]);
  assert.deepEqual(JSON.parse(stdout), { stuck: "closed", unfinished: "closed" });
  const numbers = await (await fetch(`${open.url}/metrics`)).text();
  assert.ok(Number(/^leverarm_http_slow_clients_dropped_total (\d+)$/m.exec(numbers)[1]) >= 1);
});
