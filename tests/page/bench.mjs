// Notes when the page drew each value of the intake air; for the benchmark of the same name.
// Prints [[value, microseconds since 1970], …].

import { launch, link, open } from "./lib/browser.mjs";

const [url, seconds] = process.argv.slice(2);
const SETTLE_MS = 3000;

const browser = await launch();
try {
  const context = await browser.newContext({ viewport: { width: 1366, height: 768 } });
  const page = await open(context, url);
  await link(page, "live");
  await page.waitForTimeout(SETTLE_MS);
  await page.evaluate(() => {
    const row = [...document.querySelectorAll("#channels div")].find((each) => each.firstChild.textContent === "intake air");
    const output = row.querySelector("output");
    window.drawn = [];
    new MutationObserver(() => {
      const value = Number(output.textContent);
      // The next frame begins when this one has been handed over to be shown.
      requestAnimationFrame(() => {
        window.drawn.push([value, Math.round((performance.timeOrigin + performance.now()) * 1000)]);
      });
    }).observe(output, { childList: true, characterData: true, subtree: true });
  });
  await page.waitForTimeout(Number(seconds) * 1000);
  process.stdout.write(JSON.stringify(await page.evaluate(() => window.drawn)));
  if (page.wrong.length) throw new Error(page.wrong.join("\n"));
} finally {
  await browser.close();
}
