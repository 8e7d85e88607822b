// Makes the pictures of README.md from the demonstration: the page during a pull, and a sheet.
//
//   node tests/page/pictures.mjs FOLDER     after tests/page/run has installed what it needs

import { execFileSync } from "node:child_process";
import { mkdirSync, mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { launch } from "./lib/browser.mjs";
import { Daemon, PROGRAM, pause, until } from "./lib/daemon.mjs";

const folder = process.argv[2];
if (!folder) throw new Error("name the folder for the pictures");
mkdirSync(folder, { recursive: true });
const browser = await launch();

async function picture(name, width, height, url, ready) {
  const page = await browser.newPage({ viewport: { width, height }, colorScheme: "light" });
  await page.goto(url);
  await ready(page);
  await page.screenshot({ path: join(folder, `${name}.png`) });
  await page.close();
}

const daemon = await Daemon.start({ pulls: 3 });
await daemon.post("/api/setup", { name: "main jet 105" });
await picture("page", 1280, 760, daemon.url, async (page) => {
  await until("a pull that is stored", async () => (await page.locator("#pulls tr").count()) >= 1);
  await until("the next pull", async () => (await daemon.get("/api/live")).phase === "pulling");
  await pause(1500);
});
await daemon.end();

const out = mkdtempSync(join(tmpdir(), "leverarm-pictures-"));
const options = { cwd: out, stdio: "ignore" };
execFileSync(PROGRAM, ["demo", "--out", "demo"], options);
const setups = ["main jet 105", "main jet 110"];
execFileSync(PROGRAM, ["sheet", ...setups, "-c", "demo/stand.toml", "--typical-refit", "0.3 %", "--out", "sheet.html"], options);
await picture("sheet", 1000, 860, `file://${join(out, "sheet.html")}`, () => pause(300));
rmSync(out, { recursive: true });
await browser.close();
