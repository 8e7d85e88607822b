// The running daemon against its own API document, and its numbers against the format's own parser.

import assert from "node:assert/strict";
import { execFile } from "node:child_process";
import { after, before, test } from "node:test";
import { fileURLToPath } from "node:url";
import { promisify } from "node:util";
import { Daemon, until } from "./lib/daemon.mjs";

const run = promisify(execFile);
const SEED = process.env.SEED ?? "20240";

/** With one pull. */
let daemon;
before(async () => {
  daemon = await Daemon.start({ pulls: 1 });
  await until("a pull", async () => (await daemon.get("/api/pulls")).pulls[0]?.state === "stored");
});
after(() => daemon.end());

test("/metrics follows the conventions of its format", async () => {
  const script = fileURLToPath(new URL("lib/metrics.py", import.meta.url));
  const { stdout } = await run("python3", [script, `${daemon.url}/metrics`]);
  const { problems, values } = JSON.parse(stdout);
  assert.deepEqual(problems, []);
  const live = await daemon.get("/api/live");
  assert.ok(Math.abs(values["leverarm_live_time_seconds"] - live.wall_us / 1e6) < 60);
  const channel = (name, family) => values[`${family}{channel=${name}}`];
  const shown = (name) => live.channels.find((each) => each.name === name);
  assert.ok(Math.abs(channel("cylinder head", "leverarm_channel_temperature_celsius") - shown("cylinder head").value) < 20);
  assert.ok(Math.abs(channel("barometer", "leverarm_channel_pressure_pascals") - shown("barometer").value_si) < 500);
  assert.equal(values["leverarm_store_pulls{state=stored}"], 1);
  assert.equal(values["leverarm_store_lost_records_total"], 0);
  assert.ok(values["leverarm_link_frames_total"] > 1000);
});

test("every path does what the API document says", async () => {
  const list = ["run", `${daemon.url}/api/openapi.json`, "--checks", "all", "--max-examples", "25", "--seed", SEED,
    // Events without end: other tests read them.
    "--exclude-path", "/api/live/stream",
    // Calibrations are written by commands of their own, and tested there.
    "--exclude-path", "/api/calibration",
    // On a loopback address no token is asked for, so that one can't be lacking.
    "--exclude-checks", "ignored_auth", "--no-color"];
  const { stdout } = await run("schemathesis", list, { cwd: daemon.folder, maxBuffer: 1 << 26 }).catch((error) => {
    throw new Error(`seed ${SEED}: ${error.stdout}${error.stderr}`);
  });
  const counted = /(\d+) generated, (\d+) passed/.exec(stdout);
  assert.ok(counted && Number(counted[1]) > 200, stdout);
  assert.equal(counted[1], counted[2]);
});

test("the document has every path that the daemon serves, and a token where one is needed", async () => {
  const daemon = await Daemon.start({ arguments: ["--require-token"] });
  try {
    const { paths } = await daemon.get("/api/openapi.json");
    for (const [path, methods] of Object.entries(paths)) {
      for (const method of Object.keys(methods)) {
        const url = daemon.url + path.replace("{id}", "1");
        const { status } = await fetch(url, { method: method.toUpperCase() });
        assert.equal(status, 401, `${method} ${path}`);
      }
    }
  } finally {
    await daemon.end();
  }
});
