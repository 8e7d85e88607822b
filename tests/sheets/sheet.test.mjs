// A sheet in a real browser: nothing is asked of any network, the readout reads, light and dark,
// screen and paper.

import assert from "node:assert/strict";
import { execFileSync } from "node:child_process";
import { readFileSync, statSync } from "node:fs";
import { after, before, test } from "node:test";
import { createRequire } from "node:module";
import { pathToFileURL } from "node:url";

const { chromium } = createRequire(new URL("../page/", import.meta.url))("playwright-core");
const dir = process.env.SHEETS_DIR;
const file = `${dir}/sheet.html`;
const leverarm = (...words) => execFileSync(process.env.LEVERARM, [...words, "--store", `${dir}/pulls`], { encoding: "utf8" });
const seriesFile = `${dir}/series.html`;
const setups = ["main jet 105", "main jet 110", "exhaust 1"];

let browser;
before(async () => {
  leverarm("sheet", ...setups, "--typical-refit", "0.05 %", "--out", file, "--pdf", `${dir}/sheet.pdf`, "--plots", `${dir}/plots`, "--author", "the shed");
  leverarm("series", "--typical-refit", "0.05 %", "--at", "5000,7000", "--out", seriesFile, "--pdf", `${dir}/series.pdf`);
  browser = await chromium.launch({ executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium", args: ["--no-sandbox"] });
});
after(() => browser?.close());

async function open(options = {}) {
  const context = await browser.newContext({ viewport: { width: 1200, height: 900 }, ...options });
  const page = await context.newPage();
  page.wrong = [];
  page.on("pageerror", (error) => page.wrong.push(error.message));
  page.on("console", (message) => page.wrong.push(message.text()));
  page.on("request", (request) => {
    if (request.url() !== pathToFileURL(file).href && !request.url().startsWith("data:")) page.wrong.push(request.url());
  });
  await page.goto(pathToFileURL(file).href);
  return page;
}

test("sheet and series are read on a phone: nothing goes from side to side but tables", async () => {
  for (const sheet of [file, seriesFile]) {
    const context = await browser.newContext({ viewport: { width: 390, height: 844 } });
    const page = await context.newPage();
    await page.goto(pathToFileURL(sheet).href);
    const found = await page.evaluate(() => ({
      wide: document.documentElement.scrollWidth,
      high: document.documentElement.scrollHeight,
      // A letter a line: a cell of words that is narrower than its longest word needs.
      narrow: [...document.querySelectorAll("td:not(.number)")]
        .filter((cell) => cell.textContent.trim().length > 12 && cell.clientWidth < 70).length,
      drawings: [...document.querySelectorAll("figure")].map((figure) =>
        [...figure.querySelectorAll("svg")].filter((svg) => svg.clientWidth > 0 && svg.getBoundingClientRect().right <= 390).length),
      // In full below the plot: at the ends of the curves there is little room.
      names: [...document.querySelectorAll("figure .legend")].map((legend) =>
        [...legend.children].filter((name) => name.getBoundingClientRect().right <= 390 && name.offsetHeight > 0)
          .map((name) => name.textContent)),
    }));
    assert.ok(found.wide <= 390, `${sheet}: ${found.wide} px wide`);
    assert.ok(found.high < 12_000, `${sheet}: ${found.high} px long`);
    assert.equal(found.narrow, 0, sheet);
    assert.ok(found.drawings.length > 1 && found.drawings.every((whole) => whole === 1), `${sheet}: ${found.drawings}`);
    assert.ok(found.names[0].some((name) => name.includes("main jet 110")), `${sheet}: ${found.names}`);
    await context.close();
  }
});

test("one file, no request, no complaint", async () => {
  const page = await open();
  assert.equal(await page.locator("h1").textContent(), "main jet 110 and exhaust 1 against main jet 105");
  for (const heading of ["Figures", "Setups", "Pulls", "Uncertainty budget", "Raw data"]) {
    assert.equal(await page.getByRole("heading", { name: heading, exact: true }).count(), 1, heading);
  }
  await page.waitForTimeout(200);
  assert.deepEqual(page.wrong, []);
  assert.ok(await page.evaluate(() => document.fonts.check("16px 'Leverarm Sans'")));
});

test("the readout says what is under the pointer, and follows the arrow keys", async () => {
  const page = await open();
  const figure = page.locator("figure").first();
  const svg = figure.locator("svg.light:not(.phone)");
  await svg.scrollIntoViewIfNeeded();
  const box = await svg.boundingBox();
  await page.mouse.move(box.x + 0.4 * box.width, box.y + 0.3 * box.height);
  const said = await page.locator(".readout").textContent();
  assert.match(said, /^\d{4} rpm/);
  assert.match(said, /main jet 110 less main jet 105 [+−]?\d+\.\d+ ± \d+\.\d+ N·m/);
  const { rpm, columns } = JSON.parse(await page.locator("#numbers").textContent());
  const at = rpm.indexOf(Number(said.match(/^(\d+) rpm/)[1]));
  assert.ok(at >= 0, "a speed of the table");
  const torque = Number(said.match(/main jet 105 (\d+\.\d+) ± \d+\.\d+ N·m/)[1]);
  assert.ok(Math.abs(torque - columns[0].values[at]) < 0.01, said);
  await figure.focus();
  await page.keyboard.press("ArrowRight");
  assert.ok((await page.locator(".readout").textContent()).startsWith(`${rpm[at + 1]} rpm`));
  // The line stands where the speed is on the axis.
  const gap = await svg.evaluate((svg, speed) => {
    const { left, right, low, high } = svg.querySelector(".scale").dataset;
    const x = Number(left) + ((speed - low) / (high - low)) * (right - left);
    return Math.abs(x - svg.querySelector(".cursor").getAttribute("x1"));
  }, rpm[at + 1]);
  assert.ok(gap < 0.01, `${gap}`);
  assert.deepEqual(page.wrong, []);
});

test("dark and light show one drawing each, and paper is light", async () => {
  for (const colorScheme of ["light", "dark"]) {
    const page = await open({ colorScheme });
    const shown = await page.locator("figure > svg:visible").evaluateAll((all) => all.map((svg) => svg.getAttribute("class")));
    assert.deepEqual([...new Set(shown)], [colorScheme]);
    await page.emulateMedia({ media: "print" });
    const printed = await page.locator("figure > svg:visible").evaluateAll((all) => all.map((svg) => svg.getAttribute("class")));
    assert.deepEqual([...new Set(printed)], ["light"]);
  }
});

test("nothing is cut off on a phone or on paper", async () => {
  for (const width of [380, 1200]) {
    const page = await open({ viewport: { width, height: 800 } });
    const over = await page.evaluate(() => document.documentElement.scrollWidth - window.innerWidth);
    assert.ok(over <= 0, `${width} px: ${over} px too wide`);
  }
  const page = await open();
  for (const format of ["A4", "Letter"]) {
    const pdf = await page.pdf({ format, path: `${dir}/printed-${format}.pdf` });
    assert.ok(pdf.length > 20_000);
    const text = execFileSync("pdftotext", ["-layout", `${dir}/printed-${format}.pdf`, "-"], { encoding: "utf8" });
    assert.match(text, /Uncertainty budget/);
    // The whole of a hash is on the paper: it may be broken over lines.
    const hash = JSON.parse(leverarm("compare", ...setups, "--json")).pulls[0].sha256;
    assert.ok(text.replaceAll(/\s/g, "").includes(hash.slice(0, 20)), hash);
  }
});

test("the PDF has pages, real text and our font", () => {
  const info = execFileSync("pdfinfo", [`${dir}/sheet.pdf`], { encoding: "utf8" });
  assert.ok(Number(info.match(/Pages:\s+(\d+)/)[1]) >= 3, info);
  assert.match(info, /Title:\s+main jet 110 and exhaust 1 against main jet 105/);
  assert.match(info, /595\.\d+ x 841\.\d+ pts \(A4\)/);
  const text = execFileSync("pdftotext", ["-layout", `${dir}/sheet.pdf`, "-"], { encoding: "utf8" });
  for (const part of ["main jet 110 is higher from", "needle clip", "LEFT OUT: aborted", "the shed", "Engine speed"]) {
    assert.ok(text.includes(part), `"${part}" is not in\n${text}`);
  }
  const fonts = execFileSync("pdffonts", [`${dir}/sheet.pdf`], { encoding: "utf8" });
  for (const line of fonts.trim().split("\n").slice(2)) assert.match(line, /yes\s+yes/, "embedded and a subset");
});

test("each plot is there as SVG and as PNG of 1920 × 1080, light and dark", () => {
  for (const name of ["torque-and-power", "difference"]) {
    for (const theme of ["light", "dark"]) {
      const png = readFileSync(`${dir}/plots/${name}-${theme}.png`);
      assert.deepEqual([png.readUInt32BE(16), png.readUInt32BE(20)], [1920, 1080]);
      const svg = readFileSync(`${dir}/plots/${name}-${theme}.svg`, "utf8");
      assert.match(svg, /width="1920" height="1080"/);
      assert.ok(!/https?:\/\/(?!www\.w3\.org\/2000\/svg)/.test(svg), "refers to nothing outside");
    }
  }
  assert.ok(statSync(file).size < 3_000_000);
});
