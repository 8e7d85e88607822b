// From the first pull to the published sheet, in a real browser: pulls, what the change did, and files of it.

import assert from "node:assert/strict";
import { execFileSync } from "node:child_process";
import { createHash } from "node:crypto";
import { cpSync, mkdirSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { dirname, join } from "node:path";
import { after, before, test } from "node:test";
import { audit, launch, link, open, running, untilRuns } from "./lib/browser.mjs";
import { Daemon, PROGRAM, ROOT, until } from "./lib/daemon.mjs";

/** Screenshots of each view, for whoever wants to look. */
const SHOTS = process.env.LEVERARM_SCREENSHOTS ?? join(ROOT, "target/page-screenshots");

/** What the ring adds to the simulated drum of 1.2 kg·m². */
const RING = 0.6;

let browser;
let store;
let rings;
before(async () => {
  browser = await launch();
  rings = mkdtempSync(join(tmpdir(), "leverarm-rings-"));
  execFileSync(join(dirname(PROGRAM), "comparison_store"), ["--out", rings, "--ring", String(RING)], { stdio: "ignore" });
  // Nine pulls, A-B-A, and one given up: made in virtual time, and copied for each test.
  store = mkdtempSync(join(tmpdir(), "leverarm-answer-"));
  execFileSync(join(dirname(PROGRAM), "comparison_store"), ["--out", store, "--pulls", "3"], { stdio: "ignore" });
});
after(async () => {
  await browser.close();
  for (const folder of [store, rings]) rmSync(folder, { recursive: true, force: true });
});

/** A daemon on a copy of that store and a page on it, both ended whatever happens. */
async function together(options, use) {
  const prepare = (folder) => cpSync(join(options.store ?? store, "pulls"), join(folder, "pulls-rehearsal"), { recursive: true });
  const daemon = await Daemon.start({ ...options, prepare });
  const context = await browser.newContext({ viewport: { width: 1366, height: 768 }, acceptDownloads: true, ...options.context });
  try {
    const page = await open(context, daemon.url, options);
    await link(page, "live");
    await use({ daemon, page, context });
    assert.deepEqual(page.wrong, []);
  } finally {
    await context.close();
    await daemon.end();
  }
}

/** What a press gives to keep: its name and its bytes. */
async function saved(page, press) {
  const [download] = await Promise.all([page.waitForEvent("download"), press()]);
  return { name: download.suggestedFilename(), bytes: readFileSync(await download.path()) };
}

const answered = (page) => page.waitForFunction(() => !document.getElementById("answer-found").hidden, null);
const verdicts = (page) => page.locator("#answer-words .verdict h3").allTextContents();

test("the whole job with the mouse alone: setup, plan, A-B-A, a pull left out, the answer, the sheet", async () => {
  // More pulls than the plan asks for: on a busy machine some come before their setup is chosen.
  await together({ pulls: 6 }, async ({ daemon, page }) => {
    const press = (name, within = page) => within.getByRole("button", { name, exact: true }).click();
    const take = async (setup) => {
      await page.locator("#setups").getByText(setup).click();
      await press("Use for the next pulls");
      await page.locator("#setup-in-force", { hasText: setup }).waitFor();
    };
    await take("main jet 105");
    const plan = page.locator("#plan-setups");
    for (const setup of ["main jet 105", "main jet 110", "main jet 105"]) await press(setup, plan);
    await press("Begin the plan");
    await until("the plan", async () => (await daemon.get("/api/plan")).plan !== null);
    const own = [10];
    for (const [setup, next] of [["main jet 105", "main jet 110"], ["main jet 110", "main jet 105"], ["main jet 105", null]]) {
      own.push(await untilRuns(daemon, `a pull with ${setup}`, async () => {
        const { pulls } = await daemon.get("/api/pulls");
        return pulls.find((pull) => pull.id > own.at(-1) && pull.setup === setup && pull.state === "stored")?.id;
      }));
      if (next) await take(next);
    }
    const [, first] = own;

    await page.getByRole("link", { name: "Pulls", exact: true }).click();
    await press(`Change or save pull ${first}`);
    await page.locator("#pull-tells li", { hasText: "cycle variation: " }).waitFor();
    await press("misfired");
    await press("Leave it out");
    await until("the exclusion", async () => (await daemon.get(`/api/pulls/${first}`)).excluded?.reason === "misfired");
    await page.locator("#pulls-rows tr", { hasText: "left out: misfired" }).waitFor();

    await page.getByRole("link", { name: "Answer", exact: true }).click();
    await answered(page);
    // The pull left out takes no part, and is named.
    const counted = async () => {
      const { pulls } = await daemon.get("/api/pulls");
      const [base, other] = ["main jet 105", "main jet 110"].map((setup) => pulls.filter((pull) => pull.setup === setup && pull.state === "stored" && !pull.excluded).length);
      assert.ok(base >= 7 && other >= 4, JSON.stringify(pulls));
      return `After ${base} pulls with main jet 105, ${other} pulls with main jet 110:`;
    };
    await until("all pulls in the answer", async () => (await page.locator("#answer-status").textContent()) === (await counted()));
    assert.match(await page.locator("#answer-out").textContent(), new RegExp(`pull ${first}, main jet 105: excluded: misfired`));
    const sheet = await saved(page, () => press("Sheet, HTML"));
    assert.equal(sheet.name, "main-jet-105-main-jet-110.html");
    const text = sheet.bytes.toString();
    assert.match(text, /main jet 110 against main jet 105/);
    assert.match(text, /misfired/);
    await page.locator("#answer-said", { hasText: `Saved: ${sheet.name}` }).waitFor();
  });
});

test("the answer holds the simulated truth, is worked out again after each pull, and is what the command line says", async () => {
  await together({ pulls: 1, path: "/#answer" }, async ({ daemon, page }) => {
    await daemon.post("/api/setup", { name: "main jet 105" });
    await answered(page);
    assert.deepEqual(await verdicts(page), ["Can't tell yet"]);
    await page.getByText("More", { exact: true }).click();
    await page.getByLabel("Refit of a part").fill("0.3");
    await page.getByLabel("Refit of a part").blur();
    await page.locator(".verdict h3", { hasText: "No measurable difference" }).waitFor();
    const folder = join(daemon.folder, "pulls-rehearsal");
    const printed = execFileSync(PROGRAM, ["compare", "--store", folder, "--typical-refit=0.3 %", "--json", "main jet 105", "main jet 110"]);
    const { told } = JSON.parse(printed);
    const before = await page.locator("#answer-status").textContent();
    if (/6 pulls/.test(before)) assert.ok((await page.locator(".verdict .amount").textContent()).startsWith(told.pairs[0].average));
    assert.match(await page.locator(".further").textContent(), /^For a difference of 0\.\d+ N·m, half of what shows now, to show \(9 times out of 10\), mount each \d+ times more, by turns, with \d+ pulls each time/);
    // The pull that the simulated person makes meanwhile counts as soon as it is stored.
    await page.locator("#answer-status", { hasText: "After 7 pulls with main jet 105" }).waitFor();
    assert.match(await page.locator("#answer-evenness").textContent(), /\d\.\d\d ± \d\.\d\d %(none|\d+) in 1\d\d/);
    await page.getByLabel("Difference: read at an engine speed").fill("5000");
    assert.match(await page.locator("#answer-difference .readout").textContent(), /main jet 110 less main jet 105\+0\.\d+ ± 0\.\d+ N·m/);
    for (const [button, name, begins] of [["Sheet, PDF", "main-jet-105-main-jet-110.pdf", "%PDF-"], ["PNG", "main-jet-105-main-jet-110-difference.png", "\x89PNG"],
      ["SVG", "main-jet-105-main-jet-110-difference.svg", "<svg"], ["CSV", "main-jet-105-main-jet-110.csv", "time,"],
      ["Parquet", "main-jet-105-main-jet-110.parquet", "PAR1"], ["MDF4", "main-jet-105-main-jet-110.mf4", "MDF     4."]]) {
      const file = await saved(page, () => page.locator("#answer-files").getByRole("button", { name: button, exact: true }).click());
      assert.equal(file.name, name);
      assert.ok(file.bytes.toString("latin1").startsWith(begins), `${name}: ${file.bytes.subarray(0, 12)}`);
    }
  });
});

test("with the keyboard alone: curves chosen and read, a setup put right and taken back, an answer", async () => {
  await together({}, async ({ daemon, page }) => {
    const at = () => page.evaluate(() => { const it = document.activeElement; return it.getAttribute("aria-label") ?? it.textContent.trim(); });
    /** Tab goes on until it is there; whoever can't reach a thing so can't use it. */
    const reach = async (name) => {
      for (let presses = 0; presses < 120; presses++) {
        await page.keyboard.press("Tab");
        if ((await at()) === name) return;
      }
      throw new Error(`no way to "${name}" by Tab`);
    };
    await reach("Pulls");
    await page.keyboard.press("Enter");
    await page.locator("#pulls-rows tr").nth(9).waitFor();
    const curves = page.locator("#pulls-plot .readout li");
    await until("four curves", async () => (await curves.count()) === 4);
    await reach("Pulls: read at an engine speed");
    const read = page.getByLabel("Pulls: read at an engine speed");
    const before = await read.getAttribute("aria-valuetext");
    await page.keyboard.press("ArrowRight");
    await page.keyboard.press("ArrowRight");
    const after = await read.getAttribute("aria-valuetext");
    const rpm = (text) => {
      assert.match(text, /^\d+ rpm: 6: main jet 110 \d+\.\d\d N·m, features from \d+ rpm/);
      return Number.parseInt(text, 10);
    };
    assert.equal(rpm(after) - rpm(before), 100);
    for (const pull of [5, 4, 3, 2]) {
      await reach(`Show pull ${pull} in the graph`);
      await page.keyboard.press("Space");
    }
    await until("eight curves", async () => (await curves.count()) === 8);
    const looks = await page.evaluate(() => [...document.querySelectorAll("#pulls-plot .readout path")].map((line) => `${line.getAttribute("stroke")} ${line.getAttribute("stroke-dasharray")}`));
    assert.equal(new Set(looks).size, 8);

    await reach("Change or save pull 3");
    await page.keyboard.press("Enter");
    await reach("main jet 110main jet 105");
    await page.keyboard.press("m");
    await until("the other setup", async () => (await page.locator("#pull-setup select").inputValue()) === "main jet 110" || void await page.keyboard.press("ArrowUp"));
    await reach("Put it right");
    await page.keyboard.press("Enter");
    const corrected = await until("the word in the store", async () => (await daemon.get("/api/pulls/3")).setup_corrected);
    assert.equal(corrected.recorded, "main jet 105");
    assert.equal((await daemon.get("/api/pulls?setup=main%20jet%20110")).fitting, 4);
    // Curve, comparison and export know it.
    assert.equal((await daemon.get("/api/pulls/3/curve")).setup, "main jet 110");
    const both = { setups: ["main jet 105", "main jet 110"] };
    const counts = async () => (await (await daemon.post("/api/comparison", both)).json()).setups.map(({ pulls }) => pulls.length);
    assert.deepEqual(await counts(), [5, 4]);
    const csv = await (await daemon.post("/api/export", { pulls: [3], format: "csv" })).text();
    assert.match(csv, /,main jet 110,/);
    execFileSync(PROGRAM, ["assign", "3", "--undo", "-c", daemon.stand]);
    assert.equal((await daemon.get("/api/pulls/3")).setup, "main jet 105");
    assert.deepEqual(await counts(), [6, 3]);

    await reach("Answer");
    await page.keyboard.press("Enter");
    await answered(page);
    await reach("Sheet, HTML");
    const { name } = await saved(page, () => page.keyboard.press("Enter"));
    assert.equal(name, "main-jet-105-main-jet-110.html");
  });
});

test("a question that nobody waits for is worked out no further, and a read token may ask but not write", async () => {
  await together({}, async ({ daemon }) => {
    const children = () => {
      try {
        return execFileSync("ps", ["--ppid", String(daemon.process.pid), "-o", "args="]).toString();
      } catch {
        return "";
      }
    };
    const asking = new AbortController();
    const body = JSON.stringify({ setups: ["main jet 105", "main jet 110"], format: "png" });
    const asked = fetch(`${daemon.url}/api/sheet`, { method: "POST", body, headers: { "Content-Type": "application/json" }, signal: asking.signal }).catch(() => "gone");
    await until("its work", () => / sheet /.test(children()));
    asking.abort();
    assert.equal(await asked, "gone");
    await until("its end", () => !/ sheet /.test(children()));
  });
  const daemon = await Daemon.start({ arguments: ["--require-token"] });
  try {
    const headers = { Authorization: `Bearer ${daemon.token("read")}` };
    const status = async (path, body) => (await daemon.post(path, body, headers)).status;
    assert.equal(await status("/api/comparison", { setups: ["A", "B"] }), 404);
    assert.equal(await status("/api/export", { pulls: [1], format: "csv" }), 404);
    assert.equal(await status("/api/pulls/1/setup", { setup: null }), 403);
    assert.equal(await status("/api/pulls/1/exclusion", { reason: null }), 403);
  } finally {
    await daemon.end();
  }
});

test("the shelf: a part's rating, place, notes and picture, and the tests it was in", async () => {
  await together({ path: "/#shelf" }, async ({ daemon, page }) => {
    // As the command keeps one: named by its content.
    const picture = readFileSync(join(ROOT, "hardware-notes/pictures/page.png"));
    const name = `${createHash("sha256").update(picture).digest("hex")}.png`;
    mkdirSync(join(daemon.store, "pictures"));
    writeFileSync(join(daemon.store, "pictures", name), picture);
    assert.equal((await daemon.post("/api/shelf", { part: "main jet", value: "110", picture: name })).status, 200);
    assert.equal((await fetch(`${daemon.url}/api/shelf/pictures/${"0".repeat(64)}.png`)).status, 404);
    await page.reload();
    const row = page.locator('#shelf-rows tr:has(th:text-is("main jet")):has(td:text-is("110"))');
    await row.getByRole("button", { name: "Say something of main jet 110" }).click();
    await page.locator("#shelf-word").getByLabel("Rating").selectOption("4");
    await page.getByLabel("It lies in").fill("drawer 2");
    await page.locator("#shelf-word").getByLabel("Notes").fill("drilled by hand");
    await page.locator("#shelf-word").getByRole("button", { name: "Keep" }).click();
    await page.locator("#shelf-said", { hasText: "Kept: main jet 110." }).waitFor();
    for (const text of ["4 of 5", "drawer 2", "drilled by hand"]) await row.filter({ hasText: text }).waitFor();
    await row.locator("summary", { hasText: "1 test, 3 pulls" }).click();
    assert.match(await row.locator("li").textContent(), /main jet 110, beside exhaust .*needle clip 2; pulls 4, 5, 6$/);
    await until("the picture", () => row.locator("img").evaluate((image) => image.naturalWidth > 100));
    await page.locator("#shelf").screenshot({ path: join(SHOTS, "shelf.png") });
    // A place of two lines is refused, with words.
    const refused = await daemon.post("/api/shelf", { part: "main jet", value: "110", place: "drawer\n2" });
    assert.equal(refused.status, 422);
    assert.match((await refused.json()).error, /^place: expected one line/);
  });
});

test("the drum's inertia by an added ring and by a known torque, from two coast-downs", async () => {
  await together({ store: rings, path: "/#commission" }, async ({ daemon, page }) => {
    const section = (title) => page.locator(".calibration", { hasText: title });
    const open = async (title) => { await page.locator(".calibration summary", { hasText: title }).click(); return section(title); };
    const found = async (part) => {
      await part.getByRole("button", { name: "Work it out" }).click();
      await part.getByRole("button", { name: "Put it in force" }).waitFor();
      const [, value, half] = /^(\d\.\d+) ± (\d\.\d+) kg·m².*, by /m.exec(await part.locator("pre").textContent());
      return [Number(value), Number(half)];
    };
    const ring = await open("by an added ring");
    await ring.getByLabel("Stretch without the ring").fill("1");
    await ring.getByLabel("Stretch with the ring").fill("2");
    await ring.getByRole("button", { name: "Work it out" }).click();
    await ring.locator(".said", { hasText: "Not worked out: write the ring's moment of inertia, or its mass and both diameters" }).waitFor();
    await ring.getByLabel("The ring's moment of inertia").fill(`${RING} +/- 0.003 kg*m^2`);
    const [value, half] = await found(ring);
    // The simulated drum's. Friction is not quite the same in both coasts: a ring of half the drum tells no more.
    assert.ok(Math.abs(value - 1.2) <= half && half < 0.25, `${value} ± ${half}`);
    assert.doesNotMatch(await ring.locator("pre").textContent(), /plot|put in force/);
    await ring.getByRole("button", { name: "Put it in force" }).click();
    await page.locator("#calibrations tr", { hasText: /^inertia1\.\d+ ± / }).waitFor();

    const torque = await open("by a known torque");
    await torque.getByLabel("The torque at the drum's shaft").fill("1 N*m");
    await torque.getByLabel("Stretch with the torque").fill("1");
    await torque.getByLabel("Stretch of the coast-down").fill("2");
    const [byTorque] = await found(torque);
    // An engine's pull is no known torque: what comes out is what the terminal says of it.
    const list = ["calibrate", "inertia", "-c", daemon.stand, "--store", join(daemon.folder, "pulls-rehearsal"), "--method=known-torque", "--torque=1 N*m", "--driven=1", "--coasting=2", "--dry-run", "--json"];
    const { summary } = JSON.parse(execFileSync(PROGRAM, list).toString().trim().split("\n").at(-1));
    assert.ok(summary.startsWith(String(byTorque)), `${byTorque}: ${summary}`);
    assert.match(await torque.locator(".calibrated").textContent(), /DISAGREEMENT/);
  });
});

test("nothing is wider than a phone, axe finds nothing, and each view has its picture, light and dark", async () => {
  mkdirSync(SHOTS, { recursive: true });
  await together({}, async ({ daemon }) => {
    for (const [size, viewport] of [["desktop", { width: 1366, height: 768 }], ["phone", { width: 390, height: 844 }]]) {
      for (const colorScheme of ["light", "dark"]) {
        const context = await browser.newContext({ viewport, colorScheme, hasTouch: size === "phone" });
        const page = await open(context, daemon.url);
        await link(page, "live");
        await running(daemon);
        const views = await page.locator(".views a").evaluateAll((links) => links.map(({ hash }) => hash.slice(1)));
        assert.ok(["live", "pulls-view", "answer", "journal"].every((view) => views.includes(view)));
        for (const view of views) {
          await page.evaluate((hash) => { location.hash = hash; }, view);
          if (view === "answer") await answered(page);
          if (view === "pulls-view") {
            await page.locator("#change-1").click();
            await until("the peaks", async () => /N·m at/.test(await page.locator("#pulls-rows tr").last().textContent()));
          }
          assert.ok((await page.evaluate(() => document.documentElement.scrollWidth)) <= viewport.width, `${view} on a ${size}`);
          // On a busy machine the board may cut for want of heartbeats: the button says so then.
          await page.getByRole("button", { name: /^(Cut the engine|Cut again|Try to cut)/ }).waitFor();
          // Colours differ by appearance, layout by size: two of four see it all.
          if ((size === "phone") === (colorScheme === "dark")) await audit(page, `${view} on a ${size}`);
          await page.screenshot({ path: join(SHOTS, `${view}-${size}-${colorScheme}.png`), fullPage: true });
        }
        assert.deepEqual(page.wrong, []);
        await context.close();
      }
    }
  });
});
