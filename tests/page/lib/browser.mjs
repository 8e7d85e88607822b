// Chromium, and a page in it that takes note of everything that goes wrong.

import assert from "node:assert/strict";
import { existsSync, readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { chromium } from "playwright-core";
import { Daemon, LIMIT_MS, until } from "./daemon.mjs";

const AXE = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const PLACES = [process.env.CHROMIUM, "/usr/bin/chromium", "/usr/bin/chromium-browser", "/usr/bin/google-chrome"];

export function launch() {
  const executablePath = PLACES.find((place) => place && existsSync(place));
  if (!executablePath) throw new Error("no Chromium: install the package chromium, or name one in CHROMIUM");
  return chromium.launch({ executablePath, args: ["--no-sandbox", "--enable-precise-memory-info"] });
}

/** Opens the page. `page.wrong` lists script errors, console errors and requests to other places. */
export async function open(context, url, { path = "/" } = {}) {
  const page = await context.newPage();
  page.setDefaultTimeout(LIMIT_MS);
  page.wrong = [];
  page.on("pageerror", (error) => page.wrong.push(error.stack ?? error.message));
  page.on("console", (message) => {
    // A daemon that is gone, or a token that is refused, is told by the browser too.
    const expected = /ERR_CONNECTION|ERR_EMPTY_RESPONSE|ERR_INCOMPLETE|ERR_SOCKET|status of (401|403|409|422|429|503)/.test(message.text());
    if (message.type() === "error" && !expected) page.wrong.push(message.text());
  });
  page.on("request", (request) => {
    if (!request.url().startsWith(url) && !request.url().startsWith("data:")) page.wrong.push(`asked elsewhere: ${request.url()}`);
  });
  await page.goto(url + path);
  return page;
}

export const link = (page, state) =>
  page.waitForFunction((wanted) => document.body.dataset.link === wanted, state);

/** A daemon that had to wait for the machine is cut by its board, for want of heartbeats: that is
 *  released first, so that the cut that is looked at is the test's own. */
export async function running(daemon) {
  await until("a stand that runs", async () => {
    const { connected, cut } = await daemon.get("/api/live");
    if (cut.latch === "confirmed") await daemon.post("/api/release", { cut_id: cut.cut_id });
    return connected && cut.latch === "running";
  });
}

/** Waits for what a stand that runs brings, whatever a busy machine cuts meanwhile. */
export const untilRuns = (daemon, what, look) => until(what, async () => {
  await running(daemon);
  return look();
});

/** Nobody is kept from reading or working a part of the page. */
export async function audit(page, what, part) {
  await page.evaluate(AXE);
  // The audit holds the page's script up, and then values fade, as they should. That is not to be
  // judged here.
  await page.evaluate(() => {
    const still = new CSSStyleSheet();
    still.replaceSync("[data-fresh], .rows .old dd { opacity: 1 !important; }");
    document.adoptedStyleSheets = [still];
  });
  const { violations, passes } = await page.evaluate((part) => axe.run(part ?? document, {
    runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
  }), part);
  const told = violations.map(({ id, nodes }) => `${id}: ${nodes.map((node) => `${node.target} ${node.any.map((each) => each.message).join(" ")}`).join(" | ")}`);
  assert.deepEqual(told, [], what);
  assert.ok(passes.some(({ id }) => id === "color-contrast"), "contrast was looked at");
}

/** Presses the button for the cut, and gives the cut's number. */
export async function pressCut(daemon, page) {
  await running(daemon);
  await page.getByRole("button", { name: "Cut the engine" }).click();
  return until("the cut's number", async () => (await daemon.get("/api/live")).cut.cut_id);
}

export const state = (page, wanted) =>
  page.waitForFunction((state) => document.body.dataset.state === state, wanted);

/** A page on a daemon, its own where none is named; what is a test's own is ended whatever happens. */
export async function together(browser, options, use) {
  const daemon = options.on ?? await Daemon.start(options);
  const context = await browser.newContext({ viewport: { width: 1366, height: 768 }, ...options.context });
  try {
    // What a test leaves cut is the next one's to release.
    if (options.on) await running(daemon);
    const page = await open(context, daemon.url, options);
    await use({ daemon, page, context });
    assert.deepEqual(page.wrong, []);
  } finally {
    await context.close();
    if (!options.on) await daemon.end();
  }
}

export const SIZES = [["laptop", { width: 1366, height: 768 }], ["phone", { width: 390, height: 844 }]];

/** A picture to look at, of the whole page, where a folder is named for them. */
export async function shoot(page, name) {
  if (process.env.SHOTS) await page.screenshot({ path: `${process.env.SHOTS}/${name}.png`, fullPage: true });
}
