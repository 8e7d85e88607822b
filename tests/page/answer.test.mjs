// From the first pull to the published sheet, in a real browser: pulls, what the change did, and files of it.

import assert from "node:assert/strict";
import { execFileSync } from "node:child_process";
import { cpSync, mkdirSync, mkdtempSync, readFileSync, rmSync } from "node:fs";
import { createRequire } from "node:module";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { after, before, test } from "node:test";
import { launch, link, open } from "./lib/browser.mjs";
import { Daemon, PROGRAM, ROOT, until } from "./lib/daemon.mjs";

const AXE = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
/** Screenshots of each view, for whoever wants to look. */
const SHOTS = process.env.LEVERARM_SCREENSHOTS ?? join(ROOT, "target/page-screenshots");
const VIEWS = ["live", "pulls-view", "answer", "journal"];

let browser;
let store;
before(async () => {
  browser = await launch();
  // Nine pulls, A-B-A, on the real daemon: made once, and copied for each test.
  store = mkdtempSync(join(tmpdir(), "leverarm-answer-"));
  execFileSync(PROGRAM, ["demo", "--out", store], { stdio: "ignore" });
});
after(async () => {
  await browser.close();
  rmSync(store, { recursive: true, force: true });
});

/** A daemon on a copy of that store and a page on it, both ended whatever happens. */
async function together(options, use) {
  const prepare = (folder) => cpSync(join(store, "pulls"), join(folder, "pulls-rehearsal"), { recursive: true });
  const daemon = await Daemon.start({ ...options, prepare: options.empty ? undefined : prepare });
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

async function noFindings(page) {
  const found = await page.evaluate(async () => {
    const { violations } = await window.axe.run(document, { runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"] });
    return violations.map(({ id, nodes }) => `${id}: ${nodes.map(({ html }) => html).join(" ")}`);
  });
  assert.deepEqual(found, []);
}

const answered = (page) => page.waitForFunction(() => !document.getElementById("answer-found").hidden, null, { timeout: 60000 });
const verdicts = (page) => page.locator("#answer-words .verdict h3").allTextContents();
