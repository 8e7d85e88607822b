// An hour of live values, pulls and events, compressed in time: the page must not grow.

import assert from "node:assert/strict";
import { test } from "node:test";
import { launch, open } from "./lib/browser.mjs";
import { Daemon, until } from "./lib/daemon.mjs";
import { Fake } from "./lib/fake.mjs";

// Below these it is noise of the compiler and the collector, bytes first. The least that a page can keep of an event,
// a number in a list, would make 864,000 bytes of an hour's 108,000 events.
const GROWTH_MAX = { heap: 300000, nodes: 50, listeners: 10 };

test("an hour does not grow the page", async () => {
  const daemon = await Daemon.start({ pulls: 1 });
  let answers;
  try {
    await until("a pull", async () => (await daemon.get("/api/pulls")).pulls[0]?.state === "stored");
    answers = { stand: await daemon.get("/api/stand"), live: await daemon.get("/api/live"), curve: await daemon.get("/api/pulls/1/curve") };
  } finally {
    await daemon.end();
  }
  const fake = new Fake(answers);
  await fake.listen();
  const browser = await launch();
  try {
    const context = await browser.newContext();
    // Without the shared worker the page does all of its work itself, so that all of it is measured.
    await context.addInitScript(() => { delete globalThis.SharedWorker; });
    const page = await open(context, fake.url);
    await until("the stream", () => fake.stream);
    const devtools = await context.newCDPSession(page);
    await devtools.send("Performance.enable");
    const rows = () => page.evaluate(() => document.querySelectorAll("#pulls tr").length);
    const measure = async () => {
      await fake.idle(1500);
      // A pull came every few milliseconds: the table has them when it could fetch all of their curves.
      for (let round = 0; round < 20 && (await rows()) !== 12; round++) await fake.idle(500);
      assert.equal(await rows(), 12);
      await devtools.send("HeapProfiler.collectGarbage");
      await devtools.send("HeapProfiler.collectGarbage");
      const { metrics } = await devtools.send("Performance.getMetrics");
      const of = (name) => metrics.find((metric) => metric.name === name).value;
      return { heap: of("JSHeapUsedSize"), nodes: of("Nodes"), listeners: of("JSEventListeners") };
    };
    await fake.play(600);
    const early = await measure();
    await fake.play(3600);
    // Answers under way, and what waits for its time, go within seconds; what the page keeps stays.
    let late = await measure();
    const grown = () => Object.keys(GROWTH_MAX).filter((what) => late[what] - early[what] >= GROWTH_MAX[what]);
    for (let round = 0; round < 5 && grown().length; round++) late = await measure();
    assert.ok(fake.sent > 120000);
    assert.deepEqual(page.wrong, []);
    console.log(`heap ${(early.heap / 1e6).toFixed(2)} MB, an hour later ${(late.heap / 1e6).toFixed(2)} MB; nodes ${early.nodes}, ${late.nodes}`);
    assert.deepEqual(grown(), [], `${JSON.stringify(early)} became ${JSON.stringify(late)}`);
  } finally {
    await browser.close();
    fake.close();
  }
});
