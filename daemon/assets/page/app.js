// Puts the page together.

import { byId, kept, setData, setText } from "./dom.js";
import { request, setToken, takeToken } from "./api.js";
import { Chart } from "./chart.js";
import { Figures } from "./figures.js";
import { Forms } from "./forms.js";
import { Freshness } from "./freshness.js";
import { Guards } from "./guards.js";
import { Journal } from "./journal.js";
import { Records } from "./records.js";
import { Safety } from "./safety.js";
import { Strip } from "./strip.js";
import { Units } from "./units.js";
import { openLink } from "./link.js";

/** The page shows what it should, or asks for what it needs: the words for one that did not start go. */
function started() {
  byId("not-started").hidden = true;
}

/** A script that fails leaves values that look alive: nothing of the page is trusted any more. */
function failed() {
  setText(byId("not-started-why"), "The page failed. Reload it, and until then:");
  setData(byId("not-started"), "now", true);
  byId("not-started").hidden = false;
}
addEventListener("error", failed);
addEventListener("unhandledrejection", failed);

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
      if (error.status === 401) await askToken(`The daemon said: ${error.message}.`);
      else {
        setText(byId("state-text"), "Connecting to the daemon");
        setText(byId("state-detail"), error.message);
        await pause(error.status === 429 ? 5000 : 500);
      }
    }
  }
}

const sentence = (live) => {
  const { latch, cut_id: id, cause } = live.cut;
  switch (latch) {
    case "requested": return ["cut", `Cut asked for: ${cause}`, "Waiting for the board to confirm it. If the engine runs on: emergency stop."];
    case "confirmed": return ["cut", `Cut ${id}: ${cause}`, "Waiting for a person to release it"];
    case "releasing": return ["cut", `Releasing cut ${id}`, "Waiting for the board"];
  }
  if (!live.connected) return ["unknown", `Waiting for ${live.waiting_for}`, "No board is connected: nothing is measured or guarded"];
  switch (live.phase) {
    case "pulling": return ["pulling", `Pull under way, until ${live.waiting_for}`, "Being recorded"];
    case "coasting": return ["ready", `Waiting for ${live.waiting_for}`, "Still being recorded"];
    default: return [live.phase, `Waiting for ${live.waiting_for}`, ""];
  }
};

function showState(live, link, ageMs) {
  let [state, text, detail] = live ? sentence(live) : ["unknown", "Connecting to the daemon", ""];
  const seconds = ageMs === null ? "" : `${(ageMs / 1000).toFixed(1)} s`;
  const lost = link === "lost";
  setText(byId("lost-why"), lost ? "No word from the daemon." : "");
  setText(byId("lost-age"), lost ? `The last values are ${seconds} old. Still trying.` : "");
  byId("lost").hidden = !lost;
  if (lost) {
    text = "Connection lost, trying again";
    detail = `No word from the daemon for ${seconds}. What is shown is old.`;
  } else if (link === "stale") {
    text = "No new values";
    detail = `What is shown is ${seconds} old.`;
  }
  document.body.dataset.state = state;
  setText(byId("state-text"), text);
  setText(byId("state-detail"), detail);
  const title = link === "live" ? text : link === "connecting" ? "Connecting" : "Old values";
  if (document.title !== title) document.title = title;
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
  const journal = new Journal();
  const build = () => { for (const plot of [chart, strip, journal]) plot.build(); };
  appearance(build);
  document.fonts?.ready.then(build);

  let live = null;
  let drawn = true;
  const draw = () => {
    drawn = true;
    figures.show(live);
    guards.show(live);
    chart.draw();
    setText(byId("guarding"), live.fit ? "guarding" : "not guarding");
    setData(byId("guarding"), "off", !live.fit);
    started();
  };
  const freshness = new Freshness((link, ageMs) => {
    showState(live, link, ageMs);
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
    const now = await describe();
    // Another stand file: other channels, other guards. The page begins anew.
    if (JSON.stringify(now) !== JSON.stringify(stand)) location.reload();
  };
  const reopen = openLink(async (message) => {
    switch (message.type) {
      case "live":
        live = JSON.parse(message.data);
        if (another) {
          another = false;
          restarted();
        }
        strip.push(live);
        chart.live(live);
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
        journal.stored(stored);
        break;
      }
      case "refused":
        if (message.status === 401) {
          await askToken("The daemon was started anew with other tokens: open the link it shows, or write the token here.");
          stand = await describe();
          reopen();
        }
        break;
    }
  });
}

start();
