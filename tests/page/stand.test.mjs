// What a person at the stand sees and hears: the band, the plan, guards, faults, the last minute. One browser
// and one rehearsal for what needs a daemon; what hangs on a moment is made up, and served at once.

import assert from "node:assert/strict";
import { execFile } from "node:child_process";
import { readFileSync } from "node:fs";
import { after, before, test } from "node:test";
import { promisify } from "node:util";
import { launch, link, open, running, shoot, untilRuns } from "./lib/browser.mjs";
import { Daemon, PROGRAM, until } from "./lib/daemon.mjs";
import { Fake } from "./lib/fake.mjs";

const run = promisify(execFile);
let browser;
let answers;
before(async () => { browser = await launch(); });
after(async () => { await browser.close(); });

/** A 14-inch screen of 1366 pixels is 310 mm wide, and capitals are 0.72 of the font's size. */
const capitalsMm = (page, id) => page.evaluate((id) => parseFloat(getComputedStyle(document.getElementById(id)).fontSize) * 0.72 * (310 / 1366), id);
const text = (page, id) => page.locator(`#${id}`).textContent();
const band = (page, pattern) => page.locator("#state-text").filter({ hasText: pattern }).waitFor();

test("a rehearsal from the first setup to its sheet: band, plan, wrong setup, sounds, marks", async () => {
  // Pulls go on without a person's wait: on a busy machine several are over before each step here.
  const daemon = await Daemon.start({ pulls: 15 });
  const context = await browser.newContext({ viewport: { width: 1366, height: 768 } });
  // What is heard: the tones that are started, by their pitch.
  await context.addInitScript(() => {
    window.heard = [];
    const { start } = OscillatorNode.prototype;
    OscillatorNode.prototype.start = function (...at) { window.heard.push(this.frequency.value); return start.apply(this, at); };
  });
  try {
    const page = await open(context, daemon.url);
    await link(page, "live");
    await running(daemon);
    await band(page, /^Choose a setup first$/);
    await shoot(page, "stand-choose");
    // From memory: signs are read at a distance of some 200 times their height. Three metres: 15 mm.
    assert.ok((await capitalsMm(page, "state-text")) >= 15);
    for (const mark of await page.locator("[data-rehearsal]").all()) assert.ok(await mark.isVisible(), "it is a rehearsal");
    await page.getByRole("link", { name: "Journal", exact: true }).click();
    assert.ok(await page.locator(".cutbar [data-rehearsal]").isVisible());
    await page.goBack();

    await page.locator(".settings summary").click();
    await page.getByLabel("Sound at").check();
    await page.locator(".settings summary").click();
    await page.getByLabel("New setup").fill("main jet 105");
    await page.getByRole("button", { name: "Add and use" }).click();
    await page.locator("#setup-in-force", { hasText: "main jet 105" }).waitFor();

    // A plan by the mouse: the setups in their order, and a name that is new.
    await page.locator("#plan-setups button", { hasText: "main jet 105" }).click();
    await page.getByLabel("Another setup").fill("main jet 110");
    await page.getByRole("button", { name: "Add", exact: true }).click();
    await page.locator("#plan-new").getByLabel("Pulls with each").fill("1");
    await page.getByRole("button", { name: "Begin the plan" }).click();
    const { plan } = await until("the plan", async () => { const found = await daemon.get("/api/plan"); return found.plan && found; });
    assert.deepEqual(plan.blocks, [{ setup: "main jet 105", pulls: 1 }, { setup: "main jet 110", pulls: 1 }]);

    // At full throttle nothing waits for full throttle.
    await page.evaluate(() => {
      window.seen = [];
      new MutationObserver(() => window.seen.push([document.body.dataset.state, document.getElementById("state-text").textContent,
        Number(document.getElementById("engine-speed").textContent.replace("\u202f", ""))]))
        .observe(document.getElementById("state-text"), { childList: true, characterData: true, subtree: true });
      window.spoken = [];
      new MutationObserver(() => window.spoken.push(document.getElementById("spoken").textContent))
        .observe(document.getElementById("spoken"), { childList: true });
    });
    // A rehearsal's next pull may be over before a busy machine has worked out the last one's curve: then
    // that one is told of.
    const isTold = () => page.evaluate(() => window.spoken.find((told) => /^Pull \d+ stored/.test(told)));
    const spoken = await untilRuns(daemon, "the result of a pull", isTold);
    await shoot(page, "stand-result");
    const [, newest] = /^Pull (\d+)/.exec(spoken);
    const curve = await daemon.get(`/api/pulls/${newest}/curve`);
    answers = { stand: await daemon.get("/api/stand"), live: await daemon.get("/api/live"), curve };
    // The first one of its setup, which a busy machine may have chosen late.
    const { pulls } = await daemon.get("/api/pulls");
    const alike = pulls.filter((pull) => pull.setup === "main jet 105" && pull.state === "stored" && pull.id < newest).length;
    const own = pulls.find((pull) => pull.id === Number(newest)).setup;
    const before = !own ? "" : alike ? ", (as|\\d+\\.\\d+\u00a0N·m (above|below)) the (one before|last two)" : ", the first with main jet 105";
    assert.match(spoken, new RegExp(`^Pull ${newest} stored, ${curve.peak_torque_nm.toFixed(2)}\u00a0N·m${before}$`));
    assert.match(`${await text(page, "state-text")} ${await text(page, "state-detail")}`, /pull \d+ stored/i);
    assert.ok((await capitalsMm(page, "state-text")) >= 15);
    // The box itself, then end speed and stored; on a busy machine the first pull may have come to its end before the box.
    const heard = async () => (await page.evaluate(() => window.heard)).join(" ");
    assert.match(await heard(), /^523 784 /);
    await until("end speed and stored are heard", async () => / 880 523 784\b/.test(await heard()));

    // The next step; the same setup again is wrong, and told from the first moment.
    await band(page, /^Wrong setup: the plan wants main jet 110$/);
    await shoot(page, "stand-wrong");
    await until("the word of it", () => page.evaluate(() => window.spoken.some((told) => told.startsWith("Wrong setup"))));
    await until("the pull", async () => (await daemon.get("/api/live")).phase === "pulling");
    await daemon.post("/api/setup", { name: "main jet 110" });
    await band(page, /^(?!Wrong)/);
    const with110 = async () => (await daemon.get("/api/pulls")).pulls.filter((pull) => pull.state === "stored" && pull.setup === "main jet 110");
    await untilRuns(daemon, "two pulls with the other setup", async () => (await with110()).length >= 2);
    assert.equal((await daemon.get("/api/plan")).next.what, "done");
    const seen = await page.evaluate(() => window.seen);
    const early = seen.slice(0, seen.findIndex(([state]) => state === "result"));
    for (const [, told, rpm] of early) assert.ok(!(told.startsWith("Full throttle") && rpm > 3800), `${told} at ${rpm} rpm`);
    assert.ok(seen.some(([, told]) => told.startsWith("Pull beginning")), JSON.stringify(seen));

    // A change from elsewhere moves the mark, so that nobody files pulls under the setup before.
    const marked = () => page.evaluate(() => new FormData(document.getElementById("setup-choose")).get("setup"));
    await until("the mark", async () => (await marked()) === "main jet 110");
    await page.locator("#setups label", { hasText: "main jet 105" }).click();
    await daemon.post("/api/setup", { name: "main jet 115" });
    await until("the mark of the newest", async () => (await marked()) === "main jet 115");

    // The same parts, mounted once more.
    await page.getByRole("button", { name: "Taken off and put back on" }).click();
    await page.locator("#setup .said", { hasText: "Taken off and put back on: main jet 115." }).waitFor();
    const { events } = await daemon.get("/api/events?limit=20");
    assert.ok(events.some(({ kind, message }) => kind === "setup mounted again" && message.includes("main jet 115")), JSON.stringify(events));

    // A reload has the last minute at once.
    await page.reload();
    await link(page, "live");
    const minute = await daemon.get("/api/live/minute");
    assert.ok(minute.mono_us.length > 100 && minute.mono_us.length <= 600);
    assert.ok(Math.max(...minute.engine_rpm) > 8000);
    await page.waitForFunction(() => {
      const canvas = document.querySelector("#strip canvas");
      const { data } = canvas.getContext("2d").getImageData(canvas.width * 0.4, 0, canvas.width * 0.4, canvas.height);
      return data.some((value, at) => at % 4 === 3 && value > 0) && !/no data for [3-9]\d s/.test(document.getElementById("strip").getAttribute("aria-label"));
    });

    // A calibration from two of the pulls: words and a picture first, in force when somebody presses for it.
    await page.getByRole("link", { name: "Commission", exact: true }).click();
    await page.locator("#stand-check", { hasText: "drum overspeed: cuts when" }).waitFor();
    await page.locator(".calibration summary", { hasText: "Drive ratio" }).click();
    const ratio = page.locator(".calibration", { hasText: "Drive ratio" });
    await ratio.getByLabel("Pulls or kept stretches").fill("1 2");
    await ratio.getByRole("button", { name: "Work it out" }).click();
    await ratio.locator("img").waitFor();
    assert.ok(await ratio.locator("img").evaluate((image) => image.decode().then(() => image.naturalWidth > 0)));
    // The simulated chain's ratio is the stand file's.
    assert.match(await ratio.locator("pre").textContent(), /pull 1: 5\.\d+ ± .*agrees with the stand file/s);
    await ratio.getByRole("button", { name: "Put it in force" }).click();
    await page.locator("#calibrations tr", { hasText: /^ratio5\.\d+ ± .* from pull 1, pull 2/ }).waitFor();
    await shoot(page, "stand-commission");

    // What is made of it says that it was a rehearsal.
    const leverarm = (...list) => run(PROGRAM, [...list, "-c", daemon.stand, "--store", daemon.store], { cwd: daemon.folder });
    const file = (name) => `${daemon.folder}/${name}`;
    await leverarm("export", "--out", file("curves.csv"));
    const [names, , first] = readFileSync(file("curves.csv"), "utf8").split("\n").map((line) => line.split(","));
    assert.equal(first[names.indexOf("simulated")], "1");
    for (const name of ["curves.parquet", "curves.mf4"]) {
      await leverarm("export", "--out", file(name));
      assert.match(readFileSync(file(name), "latin1"), /rehearsal/, name);
    }
    await leverarm("sheet", "main jet 105", "main jet 110", "--out", file("sheet.html"));
    assert.match(readFileSync(file("sheet.html"), "utf8"), /class="caution">rehearsal: made with a simulated board/);
    const { stdout } = await leverarm("compare", "main jet 105", "main jet 110", "--json");
    assert.equal(JSON.parse(stdout).rehearsal, true);
    assert.deepEqual(page.wrong, []);
  } finally {
    await context.close();
    await daemon.end();
  }
});

/** A page on made-up answers; `change` makes them. */
async function madeUp(change, use, options = {}) {
  const made = structuredClone(answers);
  const live = { ...made.live, cut: { ...made.live.cut, latch: "running" }, phase: "idle" };
  const fake = new Fake({ ...made, live });
  fake.inRealTime = true;
  change(fake);
  await fake.listen();
  const context = await browser.newContext({ viewport: { width: 1366, height: 768 }, ...options });
  let isOver = false;
  let idling;
  try {
    const page = await open(context, fake.url);
    await until("the stream", () => fake.stream);
    idling = (async () => { while (!isOver) await fake.idle(100); })();
    await link(page, "live");
    await use(page, fake);
    assert.deepEqual(page.wrong, []);
  } finally {
    isOver = true;
    await idling;
    await context.close();
    fake.close();
  }
}

test("a guard that does not watch looks like one, and not like one that tripped", async () => {
  await madeUp((fake) => {
    fake.live.guards[0] = { ...fake.live.guards[0], watching: false, tripped: false, nearness: null, value_si: 2, limit_si: 1.08 };
  }, async (page) => {
    const row = page.locator("#guards li").first();
    await row.filter({ hasText: "not watching" }).waitFor();
    assert.equal(await row.getAttribute("class"), "off");
    assert.doesNotMatch(await row.textContent(), /2\.00/);
  });
});

test("the band says what an armed load does, and never to open a throttle that is to be closed", async () => {
  const rad = (rpm) => (rpm * 2 * Math.PI) / 60;
  const load = { lacks: null, armed: true, order: null, mode: "off", demand_nm: 0, output: 0, reference_rpm: null, engine_nm: 0,
    saturated: false, why: null, backed_off: 0, run: null, last_steps: [], tuning: null, tuning_given_up: null };
  const run = { name: "six speeds", throttle: 0.4, step: 3, steps: 8, waits_for: "1.6 of 2.5 s settled", done: [] };
  const holding = { speed: { rad_per_s: rad(5000) } };
  await madeUp((fake) => { fake.live.load = load; }, async (page, fake) => {
    for (const [change, pattern, detail] of [
      [{}, /^Load armed: order a speed or a list$/, /throttle nearly closed/],
      [{ order: holding, mode: "speed" }, /^Holding 5000 rpm$/, /^/],
      [{ order: { torque: { nm: 6 } }, mode: "torque" }, /^Holding 6\.\d* N·m$/, /^/],
      [{ order: holding, mode: "speed", run }, /^Step 3 of 8: holding 5000 rpm$/, /^Throttle at 40 %. Waits for 1\.6 of 2\.5 s settled/],
      [{ order: { speed: { rad_per_s: rad(4000), rad_per_s2: rad(300) } }, mode: "speed", run: { ...run, throttle: null } },
        /^Step 3 of 8: sweeping to 4000 rpm at 300 rpm\/s$/, /^Full throttle/],
      [{ order: { output: { share: 0.3 } }, mode: "output", tuning: { waits_for: "the speed's answers: switched 5 times", engine_rpm: 4000, switches: 5, switches_needed: 16 } },
        /^Tuning the load: leave the throttle where it is$/, /switched 5 times/],
      [{ order: holding, mode: "speed", run: { ...run, step: 9 } }, /^Close the throttle$/, /The brake holds until then/],
    ]) {
      fake.live.load = { ...load, ...change };
      await band(page, pattern);
      assert.match(await page.locator("#state-detail").textContent(), detail);
      await shoot(page, `stand-load-${String(pattern).replace(/\W+/g, "-")}`);
    }
  });
});

test("everything live is in sight at 1280 by 720, and no figure leaves its place", async () => {
  await madeUp((fake) => {
    Object.assign(fake.live, { power_w: -99900 });
    fake.torque_nm = -99.9;
  }, async (page) => {
    await shoot(page, "stand-sight");
    for (const viewport of [{ width: 1280, height: 720 }, { width: 1366, height: 768 }, { width: 1920, height: 1080 }]) {
      await page.setViewportSize(viewport);
      for (const unit of ["SI", "US"]) {
        await page.locator("#units label", { hasText: unit }).click();
        await shoot(page, `stand-sight-${viewport.width}-${unit}`);
        const found = await page.evaluate(() => {
          const box = (node) => node.getBoundingClientRect();
          const bar = box(document.querySelector(".cutbar")).top;
          const rows = [...document.querySelectorAll("#channels > div, #guards li")];
          return {
            under: rows.filter((row) => box(row).bottom > bar + 1).map((row) => row.textContent),
            power: box(document.querySelector(".pair > div:last-child .unit")).right, column: box(document.querySelector(".figures")).right,
            torque: box(document.querySelector(".pair > div:first-child .unit")).right, next: box(document.querySelector(".pair > div:last-child")).left,
          };
        });
        assert.deepEqual(found.under, [], JSON.stringify(viewport));
        assert.ok(found.power <= found.column && found.torque <= found.next, `${JSON.stringify(viewport)} ${unit}: ${JSON.stringify(found)}`);
      }
    }
  });
});

test("a fault that lasts, one that is over, and one behind twenty harmless events", async () => {
  const now = Date.now() * 1000;
  const event = (id, severity, kind, channel, message, agoS) => ({ id, wall_us: now - agoS * 1e6, severity, kind, channel, message });
  const harmless = Array.from({ length: 20 }, (_, i) => event(100 - i, "info", "plan left", null, "harmless", 5 + i));
  const fault = event(7, "error", "open thermocouple", "exhaust gas", "not connected", 120);
  const at = (events) => (fake) => {
    fake.journal = (query) => events.filter((each) => (query.get("severity") !== "warning" || each.severity !== "info") && each.id > Number(query.get("after") ?? 0));
  };
  await madeUp(at([...harmless, fault]), async (page) => {
    await page.locator("#last-fault", { hasText: /^Fault since .*exhaust gas: not connected$/ }).waitFor();
    assert.notEqual(await page.locator("#last-fault").getAttribute("data-grave"), null);
  });
  await madeUp(at([event(50, "info", "sensor back", "exhaust gas", "reads again", 60), fault]), async (page) => {
    await page.locator("#last-fault", { hasText: /^No fault now\. Last, .*exhaust gas/ }).waitFor();
    assert.equal(await page.locator("#last-fault").getAttribute("data-grave"), null);
  });
  await madeUp(at([event(7, "warning", "frames lost", null, "frames lost", 3000)]), async (page) => {
    await page.locator("#last-fault", { hasText: /^No fault now$/ }).waitFor();
  });
  await madeUp(at(harmless), async (page) => {
    await page.locator("#last-fault", { hasText: /^No fault so far$/ }).waitFor();
  });
});

test("a curve that a busy daemon does not answer is asked for again", async () => {
  await madeUp((fake) => Object.assign(fake, { pulls: 1, refusals: 2 }), async (page, fake) => {
    await page.locator("#pulls tr", { hasText: /\d N·m at \d/ }).waitFor({ state: "attached" });
    assert.equal(fake.refusals, 0);
  });
});

test("a page that may only look has nothing to press and no heading without its words", async () => {
  await madeUp((fake) => {
    fake.stand.access = "read";
    fake.stand.load_cell = true;
  }, async (page) => {
    const empty = await page.evaluate(() => [...document.querySelectorAll(".sheet")].filter((sheet) => sheet.checkVisibility())
      .filter((sheet) => [...sheet.children].filter((child) => child.checkVisibility() && child.textContent.trim() !== "").length < 2)
      .map((sheet) => sheet.textContent.trim().slice(0, 30)));
    // The table of pulls and the list of events are filled as things happen.
    assert.deepEqual(empty, []);
    const buttons = await page.locator(".sheets button:visible").allTextContents();
    assert.deepEqual(buttons, []);
    assert.equal(await page.getByText("Tare when nothing turns").isVisible(), false);
  });
});

test("a daemon that answers nothing but its stream takes neither the page's word nor its cut", async () => {
  await madeUp(() => {}, async (page) => {
    await page.route("**/api/**", (route) => route.abort());
    for (const view of ["pulls-view", "answer", "journal", "commission", "live"]) await page.evaluate((hash) => { location.hash = hash; }, view);
    await page.locator("#units label", { hasText: "US" }).click();
    // What nobody waited for any more.
    await page.evaluate(async () => {
      const { ApiError } = await import("/assets/api.js");
      Promise.reject(new ApiError(0, "a test"));
      await new Promise((resolve) => setTimeout(resolve, 300));
    });
    assert.equal(await page.locator("#not-started").isVisible(), false);
    await page.getByRole("button", { name: "Cut the engine" }).waitFor();
    assert.deepEqual(page.wrong.filter((each) => !/a test|ERR_FAILED/.test(each)), []);
    page.wrong.length = 0;
  });
});

test("the big screen, a phone on its side, 200 % and chosen colours keep the cut and the band in sight", async () => {
  await madeUp(() => {}, async (page) => {
    const inSight = (selector) => page.evaluate((selector) => {
      const { left, top, right, bottom, width } = document.querySelector(selector).getBoundingClientRect();
      return width > 0 && left >= 0 && top >= 0 && right <= innerWidth && bottom <= innerHeight;
    }, selector);
    // 640 by 360 is what is left of 1280 by 720 at 200 %.
    for (const [width, height] of [[390, 844], [844, 390], [640, 360]]) {
      await page.setViewportSize({ width, height });
      assert.ok(await inSight("#cut"), `the cut at ${width} by ${height}`);
      assert.ok(await page.evaluate(() => document.documentElement.scrollWidth <= innerWidth), `nothing sticks out at ${width} by ${height}`);
      const covered = await page.evaluate(() => document.querySelector(".cutbar").getBoundingClientRect().height / innerHeight);
      assert.ok(covered < 0.3, `the bar covers ${covered} at ${width} by ${height}`);
      const hidden = await page.evaluate(() => ["state-text", "engine-speed", "torque", "power"].filter((id) =>
        document.getElementById(id).getBoundingClientRect().bottom > document.querySelector(".cutbar").getBoundingClientRect().top));
      assert.deepEqual(hidden, [], `under the bar at ${width} by ${height}`);
      await shoot(page, `stand-${width}`);
    }
    await page.setViewportSize({ width: 1920, height: 1080 });
    await page.locator(".settings summary").click();
    await page.getByLabel("Big").check();
    await page.locator(".settings summary").click();
    for (const selector of ["#state-text", "#engine-speed", "#torque", "#power", "#cut"]) assert.ok(await inSight(selector), selector);
    await shoot(page, "stand-big");
    await page.reload();
    await link(page, "live");
    assert.ok(await page.evaluate(() => "big" in document.body.dataset), "remembered");
    await page.emulateMedia({ forcedColors: "active" });
    await shoot(page, "stand-forced");
    assert.ok(await inSight("#cut"));
  });
});
