// The page in a real browser, on a real daemon with a simulated stand.

import assert from "node:assert/strict";
import { after, before, test } from "node:test";
import { SIZES, audit, launch, link, open, pressCut, running, shoot, state, together, untilRuns } from "./lib/browser.mjs";
import { Daemon, until } from "./lib/daemon.mjs";

// NIST SP 811, appendix B.8: foot pound-force to newton metre.
const NM_PER_LBF_FT = 1.355818;

let browser;
/** A rehearsal of two pulls, for tests that leave it as it was. The first of them makes its pulls. */
let shared;
/** One that asks for tokens. */
let locked;
before(async () => {
  browser = await launch();
  [shared, locked] = await Promise.all([Daemon.start({ pulls: 2 }), Daemon.start({ arguments: ["--require-token"] })]);
});
after(async () => {
  await browser.close();
  for (const daemon of [shared, locked]) await daemon.end();
});

async function writeSetup(page, name, parts = "") {
  await page.getByLabel("New setup").fill(name);
  await page.getByLabel("Parts, one a line").fill(parts);
  await page.getByRole("button", { name: "Add and use" }).click();
}

test("from a setup over pulls to their curves and a note", async () => {
  await together(browser, { on: shared }, async ({ daemon, page }) => {
    await link(page, "live");
    assert.equal(await page.locator("#engine-shown").isVisible(), false, "no pull, no figures");
    await writeSetup(page, "main jet 105", "main jet = 105\nair screw = 1.5 turns");
    await page.locator("#setup-in-force", { hasText: "main jet 105" }).waitFor();
    const { setups } = await daemon.get("/api/setups");
    assert.deepEqual(setups[0].parts, { "main jet": "105", "air screw": "1.5 turns" });

    await state(page, "pulling");
    const during = await (await page.waitForFunction(() => {
      const shown = (id) => Number(document.getElementById(id).textContent.replace("\u202f", ""));
      const found = [shown("engine-speed"), shown("torque")];
      return found[0] > 6000 && found[0] < 7500 && Number.isFinite(found[1]) && found;
    }, null, { polling: 20 })).jsonValue();
    const rows = page.locator("#pulls tr");
    await until("two whole pulls", async () => (await rows.count()) >= 2 && /N·m at/.test(await rows.first().textContent()));

    const { pulls } = await daemon.get("/api/pulls");
    const newest = pulls[0];
    assert.equal(newest.setup, "main jet 105");
    assert.equal(newest.state, "stored");
    const curve = await daemon.get(`/api/pulls/${newest.id}/curve`);
    // The rough value of the moment and the reduced curve are the same torque: they differ by the air's
    // factor, and by what a quarter of a second blurs.
    const [rpm, torque] = during;
    const near = curve.rpm.findIndex((at) => at >= rpm);
    assert.ok(Math.abs(torque * curve.air_factor / curve.torque_nm[near] - 1) < 0.06, `${torque} at ${rpm}`);
    const peak = `${curve.peak_torque_nm.toFixed(1)} N·m at ${curve.peak_torque_rpm.toFixed(0)} rpm`;
    assert.ok((await rows.first().textContent()).includes(peak), peak);
    const key = page.locator("#key li");
    await until("both curves in the key", async () => (await key.count()) === 3);
    assert.match(await key.first().textContent(), /^2: main jet 105, /);
    assert.match(await page.locator("#curves").getAttribute("aria-label"), /torque over engine speed\. Pull 2: /);

    // The simulated engine is the daemon's own; its curve goes through its peak between these speeds.
    assert.ok(curve.peak_torque_rpm > 5000 && curve.peak_torque_rpm < 7500);
    assert.ok(curve.peak_power_rpm > curve.peak_torque_rpm);

    await page.getByRole("button", { name: "Write the note on pull 2" }).click();
    await page.getByLabel("Note on pull 2").fill("plug looked good");
    await page.getByRole("button", { name: "Keep", exact: true }).click();
    await until("the note in the store", async () => (await daemon.get("/api/pulls/2")).note === "plug looked good");
    await page.getByRole("button", { name: "Change the note on pull 2" }).waitFor();
  });
});

test("the test plan says what is next and why it isn't ready, and an excluded pull is named", async () => {
  await together(browser, { pulls: 1 }, async ({ daemon, page }) => {
    await link(page, "live");
    const next = page.locator("#plan-blocks [aria-current]");
    await page.getByText("No plan yet").waitFor();
    const blocks = ["main jet 105", "main jet 110"].map((setup) => ({ setup, pulls: 2 }));
    const windows = [{ channel: "cylinder head", low_si: 273.15, high_si: 283.15 }];
    await daemon.post("/api/plan", { word: "begin", plan: { blocks, windows }, by: "the owner" });
    await next.filter({ hasText: "main jet 105: 0 of 2 pulls" }).waitFor();
    assert.equal(await page.locator("#plan-windows").textContent(), "cylinder head from 0 to 10 °C");
    await writeSetup(page, "main jet 105");
    await page.locator("#state-text", { hasText: /^Cylinder head is at \d+/ }).waitFor();
    // An excluded pull does not count, nor does one given up.
    const rows = page.locator("#pulls tr");
    const isOver = (pull) => pull && pull.state !== "running";
    await until("a pull", async () => isOver((await daemon.get("/api/pulls")).pulls[0]));
    await daemon.post("/api/pulls/1/exclusion", { reason: "misfired", by: "the owner" });
    await rows.filter({ hasText: "excluded: misfired" }).waitFor();
    await next.filter({ hasText: "main jet 105: 0 of 2 pulls" }).waitFor();
    assert.equal((await daemon.get("/api/pulls/1")).excluded.reason, "misfired");
    await page.getByRole("button", { name: "Leave the plan" }).click();
    await page.getByRole("button", { name: "Go on with the plan" }).waitFor();
    assert.equal((await daemon.get("/api/plan")).left, true);
    assert.equal(await next.count(), 0);
  });
});

test("air of the day is entered, shown and forgotten; what a channel measures is not asked for", async () => {
  await together(browser, { on: shared }, async ({ daemon, page }) => {
    await link(page, "live");
    await page.locator("#air-now", { hasText: 'Pressure measured by "barometer"' }).waitFor();
    assert.equal(await page.locator("#air-form").isVisible(), false);
    const air = { pressure_pa: 1e5, pressure_uncertainty_pa: 0, temperature_k: 300, temperature_uncertainty_k: 0, relative_humidity: 0.5, humidity_uncertainty: 0 };
    const refused = await daemon.post("/api/air", air);
    assert.equal(refused.status, 409);
    assert.match((await refused.json()).error, /nothing entered would be used, .*pressure by "barometer", temperature by "intake air", humidity by "humidity"/);
  });
  const change = (text) => text.replace('pressure_channel = "barometer"', 'pressure = "986 hPa"').replace('humidity_channel = "humidity"', 'humidity = "55 %"');
  await together(browser, { change }, async ({ daemon, page }) => {
    await link(page, "live");
    assert.equal(await page.getByLabel("Intake air,").isVisible(), false);
    await page.getByLabel("Pressure at the stand").fill("20");
    await page.getByLabel("Relative humidity").fill("40");
    await page.getByRole("button", { name: "Keep for the next pulls" }).click();
    const said = page.locator("#air-form + .said");
    await said.filter({ hasText: "Not kept: air pressure: expected 50000 to 115000 Pa" }).waitFor();
    await page.getByLabel("Pressure at the stand").fill("1003,5");
    await page.getByLabel("Uncertainty of the pressure").fill("1");
    await page.getByRole("button", { name: "Keep for the next pulls" }).click();
    await said.filter({ hasText: 'air kept for the next pulls, but for what channels measure: temperature by "intake air"' }).waitFor();
    assert.ok(Math.abs((await daemon.get("/api/live")).channels.find(({ name }) => name === "intake air").value_si - 301) < 3);
    await page.getByRole("button", { name: "Forget what was entered" }).click();
    await said.filter({ hasText: "forgotten" }).waitFor();
  });
});

test("a cut by one press, and its release in two that name it", async () => {
  await together(browser, { on: shared }, async ({ daemon, page }) => {
    await link(page, "live");
    assert.match(await page.locator("#cut-words").textContent(), /Not the emergency stop/);
    const id = await pressCut(daemon, page);
    await page.locator("#state-text", { hasText: `Cut ${id}: a person's command: button on the page` }).waitFor();

    await page.getByRole("button", { name: `Release cut ${id}…` }).click();
    assert.match(await page.locator("#release-words").textContent(), new RegExp(`^Cut ${id}: .*Is its cause gone`));
    assert.equal((await daemon.get("/api/live")).cut.latch, "confirmed");
    assert.equal(await page.evaluate(() => document.activeElement.id), "release-keep");
    await page.getByRole("button", { name: "Keep the cut" }).click();
    assert.equal((await daemon.get("/api/live")).cut.latch, "confirmed");
    await page.getByRole("button", { name: `Release cut ${id}…` }).click();
    await page.getByRole("button", { name: `Release cut ${id}`, exact: true }).click();
    await until("the release", async () => (await daemon.get("/api/live")).cut.latch === "running");
    await page.waitForFunction(() => document.body.dataset.state !== "cut");

    // One of somebody else comes while its release is being asked for: that is not released with it.
    const first = await pressCut(daemon, page);
    await page.getByRole("button", { name: `Release cut ${first}…` }).click();
    await daemon.post("/api/cut", { reason: "fuel leak" });
    await page.locator("#release-step").waitFor({ state: "hidden" });
    await page.getByRole("button", { name: `Release cut ${first + 1}…` }).click();
    assert.match(await page.locator("#release-words").textContent(),
      new RegExp(`Cut ${first}: .*button on the page.* Cut ${first + 1}: .*fuel leak.*Are all causes gone`));
    await page.getByRole("button", { name: `Release all, up to cut ${first + 1}` }).click();
    await until("the release of both", async () => (await daemon.get("/api/live")).cut.latch === "running");
    await page.waitForFunction(() => document.body.dataset.state !== "cut");

    // The key cuts also while something is being written.
    await page.getByLabel("New setup").focus();
    await page.keyboard.press("Escape");
    await page.locator("#state-text", { hasText: `Cut ${id + 3}: a person's command: Escape key` }).waitFor();
    assert.equal(await page.locator("#alarm").textContent(), "");
    await page.locator("#events li", { hasText: "cut requested" }).first().waitFor();
  });
});

test("units change everywhere at once", async () => {
  await together(browser, { on: shared }, async ({ daemon, page }) => {
    await link(page, "live");
    await until("a curve", async () => /N·m at/.test(await page.locator("#pulls tr").first().textContent()));
    await page.locator("#units label", { hasText: "US" }).click();
    const curve = await daemon.get("/api/pulls/1/curve");
    const peak = (curve.peak_torque_nm / NM_PER_LBF_FT).toFixed(1);
    await page.locator("#pulls tr", { has: page.getByRole("rowheader", { name: "1", exact: true }), hasText: `${peak} lbf·ft` }).waitFor();
    assert.match(await page.locator("#channels").textContent(), /°F/);
    assert.match(await page.locator("#guards").textContent(), /of 446 °F/); // 230 °C = 446 °F
    await page.reload();
    await link(page, "live");
    assert.match(await page.locator("#channels").textContent(), /°F/);
  });
});

test("everything is done by keyboard alone", async () => {
  await together(browser, { on: shared }, async ({ daemon, page }) => {
    await link(page, "live");
    const to = async (id, limit = 80) => {
      for (let step = 0; step < limit; step++) {
        const here = await page.evaluate(() => {
          const node = document.activeElement;
          if (node === document.body) return { name: "", seen: true };
          const mark = node.matches('.switch input') ? node.nextElementSibling : node;
          const { outlineStyle, outlineWidth } = getComputedStyle(mark);
          return { name: node.id || node.name || node.textContent, seen: outlineStyle !== "none" && parseFloat(outlineWidth) >= 2 };
        });
        assert.ok(here.seen, `the focus on ${here.name} can't be seen`);
        if (here.name === id) return;
        await page.keyboard.press("Tab");
      }
      throw new Error(`${id} is not reached by Tab`);
    };
    await to("units");
    await page.keyboard.press("ArrowRight");
    assert.match(await page.locator("#channels").textContent(), /°F/);
    await to("shown");
    await page.keyboard.press("ArrowRight");
    await to("name");
    await page.keyboard.type("slide 30");
    await page.keyboard.press("Enter");
    await page.locator("#setup-in-force", { hasText: "slide 30" }).waitFor();
    await running(daemon);
    await to("cut");
    await page.keyboard.press("Enter");
    await page.locator("#state-text", { hasText: /^Cut \d+: a person/ }).waitFor();
    await to("release");
    await page.keyboard.press("Enter");
    await to("release-confirm");
    await page.keyboard.press("Enter");
    await until("the release", async () => (await daemon.get("/api/live")).cut.latch === "running");
  });
});

/** In light and dark. */
async function auditBoth(page, what) {
  for (const colorScheme of ["light", "dark"]) {
    await page.emulateMedia({ colorScheme });
    await audit(page, `${what}, ${colorScheme}`);
  }
}

for (const [kind, viewport] of SIZES) {
  test(`names and contrast: ${kind}`, async () => {
    await together(browser, { on: shared, context: { viewport } }, async ({ daemon, page }) => {
      await link(page, "live");
      await until("a pull", async () => (await page.locator("#pulls tr").count()) > 0);
      await auditBoth(page, "live");
      assert.ok(await page.evaluate(() => document.documentElement.scrollWidth <= innerWidth), "nothing sticks out to the side");
      const id = await pressCut(daemon, page);
      await page.getByRole("button", { name: `Release cut ${id}…` }).click();
      await auditBoth(page, "cut, release under way");
    });
  });
}

/** How many points of the plot have about this colour. */
const painted = (page, name) => page.evaluate((name) => {
  const hex = getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const wanted = [1, 3, 5].map((at) => parseInt(hex.slice(at, at + 2), 16));
  const canvas = document.querySelector("#curves canvas");
  const { data } = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height);
  let count = 0;
  for (let at = 0; at < data.length; at += 4) {
    if (data[at + 3] > 200 && wanted.every((value, i) => Math.abs(data[at + i] - value) < 12)) count++;
  }
  return count;
}, name);

test("the engine's figures over its speed, pull beside pull", async () => {
  await together(browser, { on: shared, context: { colorScheme: "light", viewport: { width: 1366, height: 768 } } }, async ({ daemon, page }) => {
    await link(page, "live");
    const key = page.locator("#key li");
    await until("both curves", async () => (await key.count()) === 3);
    assert.equal(await page.locator("#figure-choice").isVisible(), false);
    await page.locator("#shown label", { hasText: "Engine" }).click();
    // The curve under way has torque and power only.
    assert.equal(await key.count(), 2);
    const select = page.getByLabel("Figure of the engine");
    const offered = await select.locator("optgroup").evaluateAll((groups) => groups.map((group) => [group.label, [...group.children].map((option) => option.textContent)]));
    assert.deepEqual(offered.map(([label]) => label), ["Figures", "Channels"]);
    for (const name of ["bmep", "volumetric efficiency", "lambda of flows", "bsfc", "thermal efficiency"]) assert.ok(offered[0][1].includes(name), name);
    assert.ok(offered[1][1].includes("exhaust gas"));

    const curves = await Promise.all([2, 1].map((id) => daemon.get(`/api/pulls/${id}/curve`)));
    /** As the page has to tell a figure: where the newest pull has most power. */
    const told = (list, name, decimals, shown, difference) => curves.map((curve) => {
      const { values, expanded_uncertainty: halves } = curve[list].find((each) => each.name === name);
      const off = (i) => (values[i] === null ? Infinity : Math.abs(curve.rpm[i] - curves[0].peak_power_rpm));
      const near = values.reduce((best, _, i) => (off(i) < off(best) ? i : best), 0);
      return `${shown(values[near]).toFixed(decimals)} \u00b1 ${difference(halves[near]).toFixed(decimals)}`;
    });
    const shows = async (option, unit, expected) => {
      await select.selectOption({ label: option });
      const texts = await key.allTextContents();
      texts.forEach((text, i) => assert.ok(text.startsWith(`${2 - i}: ${curves[i].setup ?? "no setup"}, ${expected[i]}${unit} at peak power (`), `${text}; expected ${expected[i]}`));
      assert.ok((await page.locator("#curves").getAttribute("aria-label")).startsWith(`${option} over engine speed. Pull 2: `));
      await shoot(page, `engine-${option.replaceAll(" ", "-")}`);
      assert.ok((await painted(page, "--c0")) > 200, `${option}: no line`);
    };
    const percent = (value) => 100 * value;
    const ve = told("figures", "volumetric_efficiency", 1, percent, percent);
    await shows("volumetric efficiency", " %", ve);
    assert.match(ve[0], /^(8|9)\d\.\d \u00b1 \d\.\d$/);
    const itself = (value) => value;
    await shows("lambda of sensor", "", told("figures", "lambda_of_sensor", 3, itself, itself));
    // The head was colder in the pull before, so that its line is not below the newest.
    await shows("cylinder head", " °C", told("channels", "cylinder head", 2, (k) => k - 273.15, itself));
    assert.ok((await painted(page, "--c1")) > 100, "no line of the pull before");
    await page.locator("#units label", { hasText: "US" }).click();
    // NIST SP 811, B.8: 1 lb = 0.453 592 37 kg, 1 hp (550 ft·lbf/s) = 745.6999 W.
    const perPound = (si) => (si / 0.45359237) * 745.6999 * 3600;
    await shows("bsfc", " lb/(hp·h)", told("figures", "bsfc", 3, perPound, perPound));
    for (const [colorScheme, viewport] of [["light", { width: 1366, height: 768 }], ["dark", { width: 390, height: 844 }]]) {
      await page.emulateMedia({ colorScheme });
      await page.setViewportSize(viewport);
      await audit(page, `a figure of the engine, ${colorScheme}`);
      assert.ok(await page.evaluate(() => document.documentElement.scrollWidth <= innerWidth), "nothing sticks out to the side");
      assert.ok((await painted(page, "--c0")) > 200, `${colorScheme}: no line`);
      await shoot(page, `engine-${colorScheme}`);
    }
    await page.locator("#shown label", { hasText: "Torque" }).click();
    assert.equal(await key.count(), 3);
    assert.equal(await select.isVisible(), false);
  });
});

test("the journal: a fault, what to check first, its samples, and a person's word", async () => {
  await together(browser, { pulls: 1, context: { colorScheme: "dark", viewport: { width: 390, height: 844 } } }, async ({ daemon, page }) => {
    await link(page, "live");
    await until("a pull", async () => (await page.locator("#pulls tr").count()) > 0);
    await pressCut(daemon, page);
    await page.getByRole("link", { name: "Journal", exact: true }).click();
    const rows = page.locator("#journal-entries tr");
    const cut = rows.filter({ hasText: "cut requested: a person's command: button on the page" });
    await cut.waitFor();
    assert.equal(await page.locator("#live").isVisible(), false);
    assert.ok(await page.getByRole("button", { name: /Cut the engine|Cut again/ }).isVisible(), "the cut is in reach");
    await cut.getByRole("button", { name: "cut", exact: true }).click();
    await page.locator("#journal-check", { hasText: "Find the cause before releasing" }).waitFor();
    assert.match(await page.locator("#journal-facts").textContent(), /Since the board's start\d+\.\d{6} s/);
    await page.locator("#journal-channels label", { hasText: "barometer" }).click();
    await page.waitForFunction(() => /^barometer, \d\d+ samples from 2 s before/.test(document.getElementById("journal-plot").getAttribute("aria-label")));
    assert.ok(await page.locator("#journal-plot canvas").isVisible());
    // What came after the cut is fetched once it is stored; the channel stays chosen.
    const after = async () => Number(/, (\d+) samples/.exec(await page.locator("#journal-plot").getAttribute("aria-label"))[1]);
    const first = await after();
    if (first < 70) await until("samples after the cut", async () => (await after()) > first);
    assert.ok(await page.locator('#journal-channels input[value="barometer"]').isChecked());
    await page.getByLabel("What was found").fill("belt rubbed on its guard");
    await page.getByRole("button", { name: "Looked at" }).click();
    await cut.filter({ hasText: "belt rubbed on its guard" }).waitFor();
    const { entries } = await daemon.get("/api/journal?kind=cut");
    assert.equal(entries[0].acknowledged.note, "belt rubbed on its guard");
    await page.locator("#journal-days tr").first().waitFor();
    await page.locator("#journal-health tr", { hasText: "barometer" }).filter({ hasText: "no fault" }).waitFor();
    for (const [colorScheme, viewport] of [["dark", { width: 390, height: 844 }], ["light", { width: 1366, height: 768 }]]) {
      await page.emulateMedia({ colorScheme });
      await page.setViewportSize(viewport);
      await audit(page, `journal, ${colorScheme}`);
      assert.ok(await page.evaluate(() => document.documentElement.scrollWidth <= innerWidth), "nothing sticks out to the side");
      await shoot(page, `journal-${colorScheme}`);
    }
    await page.locator('#journal-filter [name="channel"]').selectOption("barometer");
    await page.locator("#journal-none", { hasText: "Nothing of this kind" }).waitFor();
    // Over the address, back and forth.
    await page.goBack();
    await page.locator("#live").waitFor();
    assert.equal(await page.locator("#journal").isVisible(), false);
  });
});

test("the load is tuned: begun, watched, worked out with its margins, put in force by a person's word", async () => {
  await together(browser, { stand: "demo_brake.toml", arguments: ["--load"], path: "/#load" }, async ({ daemon, page }) => {
    await link(page, "live");
    await page.locator("#load-tuned", { hasText: "not tuned" }).waitFor();
    // A busy machine may cut, or break a run off for want of words of the board: then once more.
    const reason = async () => (await daemon.get("/api/pulls")).pulls.find(({ state }) => state === "tuning")?.reasons[0];
    await untilRuns(daemon, "a whole run for tuning", async () => {
      // The button goes by itself once the load is armed: a press that comes late is not waited for.
      const arm = page.locator("#load-arm button");
      if (await arm.isVisible()) await arm.click({ timeout: 1000 });
      await page.getByLabel("Tune at a speed of the engine").fill("4000", { timeout: 1000 });
      await page.getByRole("button", { name: "Tune it" }).click({ timeout: 1000 });
      await page.locator("#load-tuning-waits", { hasText: "At 4000 rpm: waits for the speed's answers" }).waitFor();
      // A busy machine's page says now and then that it has no new values.
      await page.locator("#state-text", { hasText: /^Tuning the load: leave the throttle where it is$/ }).waitFor();
      assert.equal(await page.locator("#load-tune").isVisible(), false);
      await shoot(page, "tuning-running");
      await page.locator("#load-tune").waitFor();
      assert.match(await until("the run in the store", reason), /^run for tuning the load: the output was switched \d+ times$/);
      return true;
    }, 240000);
    await page.getByRole("button", { name: "Work out pull" }).click();
    const found = page.locator("#load-tuning-found");
    await found.filter({ hasText: /leaves a gain\s+margin of/ }).waitFor();
    const words = (await found.textContent()).replaceAll(/\s+/g, " ");
    assert.match(words, /inertia [\d.]+ ± [\d.]+ kg·m² .* gain margin of [\d.]+ ± [\d.]+ .* phase margin of [\d.]+ ± [\d.]+ °/);
    await shoot(page, "tuning-found");
    await page.setViewportSize({ width: 390, height: 844 });
    await shoot(page, "tuning-narrow");
    const wide = () => [...document.querySelectorAll("body *")].filter((it) => it.getBoundingClientRect().right > innerWidth + 1 && !it.closest(".scroll, .views"));
    assert.deepEqual(await page.evaluate(`(${wide})().map((it) => it.outerHTML.slice(0, 80))`), []);
    await page.setViewportSize({ width: 1366, height: 768 });
    // Nothing is in force before somebody says so.
    assert.match(await page.locator("#load-tuned").textContent(), /^not tuned/);
    await found.getByRole("button", { name: "Put it in force" }).click();
    await page.locator("#load-tuned", { hasText: /^tuned, made .* from pull \d+, at [34]\d{3} rpm/ }).waitFor();
    await audit(page, "tuning", "#load-tuning");
  });
});

test("the load cell is tared at rest, and not while something turns", async () => {
  const cell = '\n[load_cell]\nchannel = 0\non = "engine"\nper_count = "0.0005 N/count"\nzero_counts = 8000\narm = "250 mm"\nsign = "+"\n';
  const change = (text) => text.replace('kind = "inertia"', 'kind = "both"') + cell;
  await together(browser, { change }, async ({ daemon, page }) => {
    await link(page, "live");
    const said = page.locator("#tare + .said");
    const tare = page.getByRole("button", { name: "Tare", exact: true });
    await until("the engine turns", async () => (await daemon.get("/api/live")).engine_rpm > 500);
    await until("a refusal", async () => {
      await tare.click();
      return /Not kept: tare refused: pickup \d saw \d+ teeth/.test(await said.textContent());
    });
    // A cut brings everything to rest.
    await pressCut(daemon, page);
    await until("the engine stands", async () => (await daemon.get("/api/live")).engine_rpm === 0);
    await until("a tare", async () => {
      await tare.click();
      return /^zero [\d.]+ counts ± [\d.]+ \(k = 2\), .* N .*from the last: in force/.test(await said.textContent());
    });
    // What it shows live follows at once.
    await until("no force", async () => Math.abs((await daemon.get("/api/live")).force_n) < 0.05);
    await shoot(page, "tare");
  });
});

test("what a person reads from three metres is large enough", async () => {
  await together(browser, { on: shared }, async ({ page }) => {
    await link(page, "live");
    // From memory: signs are read at a distance of some 200 times their height. Three metres: 15 mm.
    // A 14-inch screen of 1366 pixels is 310 mm wide, and capitals are 0.72 of the font's size.
    const height = (id) => page.evaluate((id) => parseFloat(getComputedStyle(document.getElementById(id)).fontSize) * 0.72 * (310 / 1366), id);
    assert.ok((await height("engine-speed")) >= 15);
    assert.ok((await height("torque")) >= 13);
    const box = await page.locator("#guards li").last().boundingBox();
    const bar = await page.locator(".cutbar").boundingBox();
    assert.ok(box.y + box.height <= bar.y + 1, "all guards are in sight without scrolling");
  });
});

test("a page of another address asks for its token, and takes it from the link", async () => {
  const daemon = locked;
  const context = await browser.newContext();
  try {
    const control = daemon.token("control");
    const look = daemon.token("read");
    assert.ok(control && look && control !== look, daemon.log);
    const page = await open(context, daemon.url);
    await page.getByRole("heading", { name: "This page needs a token" }).waitFor();
    assert.doesNotMatch(await page.locator("#token-form").innerText(), /Bearer|header/);
    await audit(page, "token asked for");
    await page.getByLabel("Token", { exact: true }).fill("not the right token");
    await page.getByRole("button", { name: "Use this token" }).click();
    await page.locator("#token-why", { hasText: "not in force" }).waitFor();
    await page.getByLabel("Token", { exact: true }).fill(look);
    await page.getByRole("button", { name: "Use this token" }).click();
    await link(page, "live");
    assert.equal(await page.locator("#setup-new").isVisible(), false);
    await page.keyboard.press("Escape");
    await state(page, "cut");
    assert.equal(await page.locator("#release").isVisible(), false);

    const other = await open(context, daemon.url, { path: `/#token=${control}` });
    await link(other, "live");
    assert.ok(!other.url().includes(control), "the token is out of the address");
    await other.getByRole("button", { name: /^Release cut \d+…$/ }).click();
    await other.getByRole("button", { name: /^Release cut \d+$/ }).click();
    await until("the release", async () => (await daemon.get("/api/live", control)).cut.latch === "running");

    // After a new start the old token is nothing; the page says what to do.
    await daemon.kill();
    await daemon.run();
    await other.locator("#token-why", { hasText: "started again" }).waitFor();
    assert.deepEqual([...page.wrong, ...other.wrong], []);
  } finally {
    await context.close();
  }
});
