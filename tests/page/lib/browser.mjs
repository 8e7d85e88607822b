// Chromium, and a page in it that takes note of everything that goes wrong.

import { existsSync } from "node:fs";
import { chromium } from "playwright-core";
import { until } from "./daemon.mjs";

const PLACES = [process.env.CHROMIUM, "/usr/bin/chromium", "/usr/bin/chromium-browser", "/usr/bin/google-chrome"];

export function launch() {
  const executablePath = PLACES.find((place) => place && existsSync(place));
  if (!executablePath) throw new Error("no Chromium: install the package chromium, or name one in CHROMIUM");
  return chromium.launch({ executablePath, args: ["--no-sandbox", "--enable-precise-memory-info"] });
}

/** Opens the page. `page.wrong` lists script errors, console errors and requests to other places. */
export async function open(context, url, { path = "/" } = {}) {
  const page = await context.newPage();
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

export const link = (page, state, timeout = 20000) =>
  page.waitForFunction((wanted) => document.body.dataset.link === wanted, state, { timeout });

/** A daemon that had to wait for the machine is cut by its board, for want of heartbeats: that is
 *  released first, so that the cut that is looked at is the test's own. */
export async function running(daemon) {
  await until("a stand that runs", async () => {
    const { connected, cut } = await daemon.get("/api/live");
    if (cut.latch === "confirmed") await daemon.post("/api/release", { cut_id: cut.cut_id });
    return connected && cut.latch === "running";
  });
}

/** Presses the button for the cut, and gives the cut's number. */
export async function pressCut(daemon, page) {
  await running(daemon);
  await page.getByRole("button", { name: "Cut the engine" }).click();
  return until("the cut's number", async () => (await daemon.get("/api/live")).cut.cut_id);
}

export const state = (page, wanted, timeout = 20000) =>
  page.waitForFunction((state) => document.body.dataset.state === state, wanted, { timeout });
