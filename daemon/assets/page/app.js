// Puts the page together.

import { byId, kept, setData, setText } from "./dom.js";
import { ApiError, request, setToken, takeToken, token } from "./api.js";
import { Answer } from "./answer.js";
import { Band } from "./band.js";
import { Chart } from "./chart.js";
import { Commission } from "./commission.js";
import { LastFault } from "./faults.js";
import { Figures } from "./figures.js";
import { Forms } from "./forms.js";
import { Freshness } from "./freshness.js";
import { Guards } from "./guards.js";
import { Journal } from "./journal.js";
import { Load } from "./load.js";
import { Plan } from "./plan.js";
import { Pulls } from "./pulls.js";
import { Shelf } from "./shelf.js";
import { Records } from "./records.js";
import { Results } from "./result.js";
import { Safety } from "./safety.js";
import { Sound } from "./sound.js";
import { Strip } from "./strip.js";
import { Units } from "./units.js";
import { Views } from "./views.js";
import { openLink } from "./link.js";

let hasFailed = false;

/** The page shows what it should, or asks for what it needs: the words for one that did not start go. */
function started() {
  byId("not-started").hidden = !hasFailed;
}

/** A script that fails leaves values that look alive: nothing of the page is trusted any more. */
function failed() {
  hasFailed = true;
  setText(byId("not-started-why"), "The page failed. Reload it, and until then:");
  setData(byId("not-started"), "now", true);
  byId("not-started").hidden = false;
}
addEventListener("error", failed);
// A daemon that did not answer is no failed script: what of it matters is said elsewhere, and the next answer comes.
addEventListener("unhandledrejection", ({ reason }) => { if (!(reason instanceof ApiError)) failed(); });

const pause = (ms) => new Promise((resolve) => setTimeout(resolve, ms));

/** Asks for a token until the daemon takes one. */
function askToken(why) {
  started();
  byId("token-form").hidden = false;
  byId("live").hidden = true;
  setText(byId("state-text"), "A token is needed");
  if (why) byId("token-why").textContent = why;
  byId("token").focus();
  return new Promise((resolve) => {
    byId("token-form").querySelector("form").onsubmit = (event) => {
      event.preventDefault();
      setToken(byId("token").value.trim());
      byId("token").value = "";
      byId("token-form").hidden = true;
      byId("live").hidden = false;
      resolve();
    };
  });
}

/** What the daemon says of the stand, however long it takes to come up. */
async function describe() {
  for (;;) {
    try {
      return await request("/api/stand");
    } catch (error) {
      if (error.status === 401) await askToken(token() ? `The daemon says: ${error.message}.` : "");
      else {
        setText(byId("state-text"), "Connecting to the daemon");
        setText(byId("state-detail"), error.message);
        await pause(error.status === 429 ? 5000 : 500);
      }
    }
  }
}

/** For a screen that is far away: the figures alone. */
function bigScreen(rebuild) {
  const box = byId("big");
  const apply = () => {
    setData(document.body, "big", box.checked);
    rebuild();
  };
  box.checked = kept.get("big") === "on";
  box.addEventListener("change", () => { kept.set("big", box.checked ? "on" : null); apply(); });
  apply();
}

function appearance(rebuild) {
  const root = document.documentElement;
  const apply = (theme) => {
    if (theme === "auto") delete root.dataset.theme;
    else root.dataset.theme = theme;
    rebuild();
  };
  const theme = kept.get("theme") ?? "auto";
  for (const input of document.querySelectorAll('input[name="theme"]')) {
    input.checked = input.value === theme;
    input.addEventListener("change", () => { kept.set("theme", input.value); apply(input.value); });
  }
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", rebuild);
  apply(theme);
}

async function start() {
  takeToken();
  const safety = new Safety();
  let stand = await describe();
  document.body.dataset.access = stand.access;
  setText(byId("stand-name"), stand.name);
  const units = new Units(stand.units);
  const figures = new Figures(stand, units);
  const guards = new Guards(stand, units);
  const chart = new Chart(stand, units);
  const strip = new Strip(stand);
  const forms = new Forms(stand, units);
  const records = new Records(units, chart, forms);
  const views = new Views();
  const journal = new Journal(views);
  const pulls = new Pulls(units, views);
  const shelf = new Shelf(views);
  const answer = new Answer(units, views);
  const commission = new Commission(stand, units, views);
  const load = new Load(units, views);
  views.start();
  const sound = new Sound();
  const band = new Band(stand, units);
  const faults = new LastFault();
  const plan = new Plan(stand, units, (step) => {
    band.step(step);
    load.planned(step?.list ?? null);
  });
  const results = new Results(units, (result) => {
    band.result(result);
    if (result.at > 0) sound.play(result.stored ? "stored" : "aborted");
  });
  const build = () => { for (const plot of [chart, strip, journal, pulls, answer]) plot.build(); };
  appearance(build);
  bigScreen(build);
  document.fonts?.ready.then(build);

  const rehearsal = document.querySelectorAll("[data-rehearsal]");
  let live = null;
  let drawn = true;
  const draw = () => {
    drawn = true;
    figures.show(live);
    guards.show(live);
    chart.draw();
    commission.show(live);
    load.show(live);
    setText(byId("guarding"), live.fit ? "guarding" : "not guarding");
    setData(byId("guarding"), "off", !live.fit);
    for (const mark of rehearsal) mark.hidden = live.simulated !== true;
    started();
  };
  const freshness = new Freshness((link, ageMs) => {
    band.show(live, link, ageMs);
    if (link !== "live") setText(byId("guarding"), "guarding unknown");
    safety.show(live, link);
  });
  units.onChange(() => { if (live) draw(); });

  let run = null;
  let another = false;
  const restarted = async () => {
    freshness.restart();
    strip.restart(live.mono_us);
    records.restart();
    pulls.restart();
    shelf.restart();
    results.restart();
    const now = await describe();
    // Another stand file: other channels, other guards. The page begins again.
    if (JSON.stringify(now) !== JSON.stringify(stand)) location.reload();
  };
  /** What the page has not seen of the last minute, as after a reload. */
  const recall = () => request("/api/live/minute").then((minute) => {
    strip.fill(minute);
    chart.fill(minute);
  }).catch(() => { /* a daemon that is gone has none */ });
  const reopen = openLink(async (message) => {
    switch (message.type) {
      case "live":
        live = JSON.parse(message.data);
        if (another) {
          another = false;
          restarted();
        }
        forms.live = live;
        strip.push(live);
        chart.live(live);
        answer.live(live);
        sound.live(live, stand.pull.end_rpm);
        if (["connecting", "lost"].includes(freshness.state)) recall();
        freshness.received(live);
        if (drawn) {
          drawn = false;
          requestAnimationFrame(draw);
        }
        break;
      case "stored": {
        const stored = JSON.parse(message.data);
        another ||= run !== null && run !== stored.started_wall_us;
        run = stored.started_wall_us;
        records.stored(stored);
        band.setup(stored.setup);
        plan.stored(stored);
        commission.stored(stored);
        load.stored(stored);
        results.stored(stored);
        faults.stored(stored);
        journal.stored(stored);
        pulls.stored(stored);
        shelf.stored(stored);
        answer.stored(stored);
        break;
      }
      case "refused":
        if (message.status === 401) {
          await askToken("The daemon was started again with other tokens: open the link it shows, or write the token here.");
          stand = await describe();
          reopen();
        }
        break;
    }
  });
}

start();
