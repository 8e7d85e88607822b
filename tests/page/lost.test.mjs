// The page without its daemon, its script or its shared worker, and as one of many tabs.

import assert from "node:assert/strict";
import { after, before, test } from "node:test";
import { SIZES, audit, launch, link, open, pressCut, running, shoot, state, together } from "./lib/browser.mjs";
import { Daemon, until } from "./lib/daemon.mjs";

let browser;
/** A rehearsal, for tests that leave it as it was. */
let shared;
/** One that is stopped and killed. */
let fragile;
/** One that asks for tokens. */
let locked;
before(async () => {
  browser = await launch();
  [shared, fragile, locked] = await Promise.all([Daemon.start(), Daemon.start(), Daemon.start({ arguments: ["--require-token"] })]);
});
after(async () => {
  await browser.close();
  for (const daemon of [shared, fragile, locked]) await daemon.end();
});

test("a lost connection says so, comes back by itself, and shows the gap", async () => {
  await together(browser, { on: fragile }, async ({ daemon, page }) => {
    await link(page, "live");
    await page.waitForTimeout(1500);
    await daemon.kill();
    await page.locator("#state-text", { hasText: "Connection lost" }).waitFor();
    assert.match(await page.locator("#state-detail").textContent(), /No word from the daemon for \d+\.\d s/);
    // Without a daemon a cut can't work, and the page must say what does.
    await page.keyboard.press("Escape");
    await page.locator("#alarm", { hasText: "Use the emergency stop" }).waitFor();
    await daemon.run();
    await link(page, "live");
    await page.waitForFunction(() => /no data for [1-9]\d* s/.test(document.getElementById("strip").ariaLabel ?? document.getElementById("strip").getAttribute("aria-label")));
    // The cut that was asked for in vain reaches the new daemon, and the alarm ends with it.
    await state(page, "cut");
    await page.waitForFunction(() => document.getElementById("alarm").textContent === "");
  });
});

test("values of a daemon that hangs look old within half a second", async () => {
  await together(browser, { on: fragile }, async ({ daemon, page }) => {
    await link(page, "live");
    const ages = [];
    for (let round = 0; round < 3; round++) {
      await page.waitForTimeout(700);
      await page.evaluate(() => {
        window.turned = null;
        new MutationObserver((_, observer) => {
          if (document.body.dataset.link === "live") return;
          observer.disconnect();
          requestAnimationFrame(() => { window.turned = Date.now(); });
        }).observe(document.body, { attributes: true, attributeFilter: ["data-link"] });
      });
      const stopped = Date.now();
      daemon.signal("SIGSTOP");
      await page.waitForFunction(() => window.turned !== null);
      ages.push((await page.evaluate(() => window.turned)) - stopped);
      assert.match(await page.locator("#freshness").textContent(), /^(stale|lost) \d/);
      await page.waitForFunction(() => Number(getComputedStyle(document.querySelector(".figures")).opacity) < 0.5);
      assert.match(await page.evaluate(() => getComputedStyle(document.getElementById("engine-speed")).textDecorationLine), /line-through/);
      daemon.signal("SIGCONT");
      await link(page, "live");
    }
    assert.ok(Math.min(...ages) <= 500, `looked old after ${ages} ms`);
  });
});

/** What a person three metres away reads, from memory: signs are read at a distance of some 200 times
 *  their height, and this one is for people who are looking elsewhere. A 14-inch screen of 1366 pixels is
 *  310 mm wide, and capitals are 0.72 of the font's size. */
const LOUD_MM = 25;

/** The words are in sight, large, of strong contrast, and over everything but the cut. */
async function assertLoud(page, id) {
  const found = await page.evaluate((id) => {
    const node = document.getElementById(id);
    const { fontSize, color, visibility } = getComputedStyle(node);
    const light = (text) => {
      const [r, g, b] = text.match(/[\d.]+/g).map((each) => each / 255).map((c) => (c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4));
      return 0.2126 * r + 0.7152 * g + 0.0722 * b;
    };
    const pair = [light(color), light(getComputedStyle(node.closest(".loud")).backgroundColor)];
    const words = document.createRange();
    words.selectNodeContents(node);
    const inside = [...words.getClientRects()].every((box) => box.left >= 0 && box.right <= innerWidth && box.top >= 0 &&
      box.bottom <= document.querySelector(".cutbar").getBoundingClientRect().top);
    const { left, top, width, height } = node.getBoundingClientRect();
    const above = document.elementFromPoint(left + width / 2, top + height / 2);
    const onTop = above === node || `under ${above?.outerHTML.slice(0, 100)}`;
    return { text: node.innerText, mm: parseFloat(fontSize) * 0.72 * (310 / 1366), contrast: (Math.max(...pair) + 0.05) / (Math.min(...pair) + 0.05), visibility, inside, onTop, wide: innerWidth };
  }, id);
  assert.match(found.text, /Use the emergency stop/);
  assert.ok(found.visibility === "visible" && found.inside && found.onTop === true, JSON.stringify(found));
  // A phone is in the hand: there the words are as large as they fit.
  if (found.wide >= 1366) assert.ok(found.mm >= LOUD_MM, JSON.stringify(found));
  // WCAG 2.2, 1.4.3: 3 for large text.
  assert.ok(found.contrast >= 4.5, JSON.stringify(found));
}

/** Light and dark, on a laptop and a phone. */
async function everywhere(page, look) {
  for (const [kind, viewport] of SIZES) {
    await page.setViewportSize(viewport);
    for (const colorScheme of ["light", "dark"]) {
      await page.emulateMedia({ colorScheme });
      await look(`${kind}-${colorScheme}`);
    }
  }
}

test("a daemon that hangs or is gone is loud, and says what to do", async () => {
  await together(browser, { on: fragile }, async ({ daemon, page }) => {
    await link(page, "live");
    await everywhere(page, (where) => shoot(page, `live-${where}`));
    assert.equal(await page.locator("#lost").isVisible(), false);
    assert.equal(await page.locator("#not-started").isVisible(), false);
    daemon.signal("SIGSTOP");
    await link(page, "lost");
    await everywhere(page, async (where) => {
      await assertLoud(page, "lost-do");
      await audit(page, `lost, ${where}`);
      assert.match(await page.locator("#lost").innerText(), /No word from the daemon.*The last values are \d+\.\d s old/s);
      await shoot(page, `lost-${where}`);
    });
    assert.equal(await page.locator("#cut-label").textContent(), "Try to cut");
    daemon.signal("SIGCONT");
    await link(page, "live");
    assert.equal(await page.locator("#lost").isVisible(), false);
    await page.locator("#cut-label", { hasText: /^Cut / }).waitFor();
    await daemon.kill();
    await link(page, "lost");
    await assertLoud(page, "lost-do");
  });
});

test("without JavaScript the page says so, and its button cuts", async () => {
  const daemon = shared;
  const context = await browser.newContext({ javaScriptEnabled: false, viewport: { width: 1366, height: 768 } });
  try {
    await running(daemon);
    const page = await context.newPage();
    await page.goto(daemon.url);
    assert.match(await page.locator("#not-started").innerText(), /The page did not start:\s+Use the emergency stop/);
    assert.equal(await page.getByText("Connecting to the daemon").count(), 0);
    await everywhere(page, (where) => shoot(page, `no-script-${where}`));
    await page.getByRole("button", { name: "Cut the engine" }).click();
    await page.getByText(/The board confirms cut \d+/).waitFor();
    assert.equal((await daemon.get("/api/live")).cut.latch, "confirmed");
    await until("the cut in the journal", async () => (await daemon.get("/api/events?limit=20")).events
      .some(({ kind, message }) => kind === "cut" && /button on the page, without its script/.test(message)));
    await everywhere(page, (where) => shoot(page, `no-script-cut-${where}`));
    // A daemon that is frozen: the words were there before.
    await page.getByRole("link", { name: "Back to the page" }).click();
    assert.ok(await page.locator("#not-started").isVisible());
  } finally {
    await context.close();
  }
});

for (const file of ["app.js", "dom.js", "strip.js", "worker.js", "vendor/uplot/uPlot.iife.min.js"]) {
  test(`a page of which ${file} does not load has no dead button`, async () => {
    const daemon = shared;
    const context = await browser.newContext({ viewport: { width: 1366, height: 768 } });
    try {
      await running(daemon);
      await context.route(`**/assets/${file}`, (route) => route.abort());
      const page = await context.newPage();
      await page.goto(daemon.url);
      if (file === "worker.js") {
        // The page does without.
        await link(page, "live");
      } else {
        await page.waitForFunction(() => getComputedStyle(document.getElementById("not-started")).visibility === "visible");
        await assertLoud(page, "not-started-do");
        await audit(page, `without ${file}`);
        await shoot(page, `without-${file.replaceAll("/", "-")}`);
      }
      await page.getByRole("button", { name: "Cut the engine" }).click();
      await until("the cut", async () => (await daemon.get("/api/live")).cut.latch === "confirmed");
    } finally {
      await context.close();
    }
  });
}

test("a page that did not start takes a token by hand", async () => {
  const daemon = locked;
  const context = await browser.newContext();
  try {
    await context.route("**/assets/safety.js", (route) => route.abort());
    const page = await context.newPage();
    await page.goto(daemon.url);
    await page.getByLabel("Token, where").waitFor();
    await page.getByRole("button", { name: "Cut the engine" }).click();
    await page.getByText(/Not cut: a token is needed/).waitFor();
    await page.getByRole("heading", { name: "Use the emergency stop" }).waitFor();
    await page.getByLabel("Token, where").fill(daemon.token("read"));
    await page.getByRole("button", { name: "Cut the engine" }).click();
    await page.getByText(/The board confirms cut \d+/).waitFor();
    const bearer = { Authorization: `Bearer ${daemon.token("control")}` };
    const { cut } = await daemon.get("/api/live", daemon.token("read"));
    assert.equal((await daemon.post("/api/release", { cut_id: cut.cut_id }, bearer)).status, 200);
  } finally {
    await context.close();
  }
});

test("a script that fails later takes the page's word away", async () => {
  await together(browser, { on: shared }, async ({ page }) => {
    await link(page, "live");
    await page.evaluate(() => {
      // What draws fails from now on, and would leave old figures on a page that says "live".
      Object.defineProperty(document.getElementById("engine-speed"), "shown", { get() { throw new Error("a test"); } });
    });
    await page.waitForFunction(() => getComputedStyle(document.getElementById("not-started")).visibility === "visible" && !document.getElementById("not-started").hidden);
    await assertLoud(page, "not-started-do");
    page.wrong.length = 0;
  });
});

test("old values fade even when the page's own script hangs", async () => {
  await together(browser, { on: shared }, async ({ page }) => {
    await link(page, "live");
    // The fade is the compositor's: it runs on while the script does nothing for a second.
    const opacity = await page.evaluate(() => {
      const end = performance.now() + 1000;
      while (performance.now() < end);
      return Number(getComputedStyle(document.querySelector(".figures")).opacity);
    });
    assert.ok(opacity < 1, `opacity ${opacity}`);
    await link(page, "live");
  });
});

test("ten tabs live at the same time, and the tenth can cut", async () => {
  await together(browser, { on: shared }, async ({ daemon, page, context }) => {
    const pages = [page];
    for (let tab = 1; tab < 10; tab++) pages.push(await open(context, daemon.url));
    await Promise.all(pages.map((each) => link(each, "live")));
    const figures = () => Promise.all(pages.map((each) => each.locator("#freshness").textContent()));
    await until("all tabs live at once", async () => (await figures()).every((text) => text === "live"));
    await pressCut(daemon, pages[9]);
    await Promise.all(pages.map((each) => state(each, "cut")));
    for (const each of pages) assert.deepEqual(each.wrong, []);
    // One browser takes one stream, however many tabs.
    const streams = async () => /^leverarm_http_streams (\d+)$/m.exec(await (await fetch(`${daemon.url}/metrics`)).text())[1];
    await until("one stream, those of tests before gone", async () => (await streams()) === "1");
  });
});

test("without a shared worker a tab that nobody sees lets go of its stream", async () => {
  const daemon = shared;
  const context = await browser.newContext();
  try {
    await context.addInitScript(() => { delete globalThis.SharedWorker; });
    const page = await open(context, daemon.url);
    await link(page, "live");
    const streams = async () => /^leverarm_http_streams (\d+)$/m.exec(await (await fetch(`${daemon.url}/metrics`)).text())[1];
    await until("one stream, the others' gone", async () => (await streams()) === "1");
    const hide = (hidden) => page.evaluate((hidden) => {
      Object.defineProperty(document, "visibilityState", { configurable: true, get: () => (hidden ? "hidden" : "visible") });
      document.dispatchEvent(new Event("visibilitychange"));
    }, hidden);
    await hide(true);
    await until("the stream's end", async () => (await streams()) === "0");
    await hide(false);
    await link(page, "live");
    assert.deepEqual(page.wrong, []);
  } finally {
    await context.close();
  }
});
