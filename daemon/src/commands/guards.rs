//! `test-guards`: the self-test of the guards, on a simulated stand or with the board.

use anyhow::{anyhow, bail};
use std::path::Path;
use std::time::Duration;

use leverarm_config::{GuardAction, Shaft};
use serde_json::json;
use tracing_subscriber::filter::LevelFilter;

use super::control::{Line, message};
use super::terminal::Table;
use super::{
    DaemonArgument, Failure, StandFile, read_own_stand, read_stand, say, stand, start_log,
};
use crate::clock::Clock;
use crate::rehearsal::{Rehearsal, model_of};
use crate::self_test::{KeptSelfTest, TestedOn, keep_self_test, last_self_test};
use crate::service::{Daemon, Handle};
use leverarm_live::{Command, CutLatch, Live, SelfTestReport};
use leverarm_store::{ContentHash, Store, StoreError, StoreReader};
use leverarm_vocabulary::Now;

const LOOK_EVERY: Duration = Duration::from_millis(100);
/// Longest time for the board to be there.
const CONNECT_US_MAX: u64 = 10_000_000;
/// Longest time for turning by hand and coming to rest: a little more than the daemon's patience.
const BY_HAND_US_MAX: u64 = 310_000_000;
/// Longest time for a guard's trial, its debounce apart.
const TRIAL_US_MAX: u64 = 12_000_000;
/// Longest time for the simulated engine to speed the drum up to its limit.
const RUNAWAY_US_MAX: u64 = 60_000_000;

/// Tests the guards of the running daemon with its board.
#[derive(Debug, clap::Args)]
pub(super) struct Arguments {
    #[command(flatten)]
    daemon: DaemonArgument,
    /// On a simulated stand with the same stand file instead: no daemon, no board
    #[arg(long)]
    simulated: bool,
    /// Seed of the simulation
    #[arg(long, default_value_t = 1, requires = "simulated")]
    seed: u64,
}

pub(super) fn run(asked: &Arguments) -> Result<(), Failure> {
    if asked.simulated {
        on_software_stand(&asked.daemon.stand.file, asked.seed)
    } else {
        on_board(&asked.daemon)
    }
}

fn on_board(daemon: &DaemonArgument) -> Result<(), Failure> {
    let read = read_stand(&daemon.stand.file)?;
    let clock = Clock::start();
    let begun_wall_us = clock.now().wall_us;
    let line = Line::to(&read.stand, daemon)?;
    let Some(value) = line.post("/api/self-test", &json!({}))? else {
        bail!(
            "no daemon answers at http://{}; start it with `leverarm serve`, which keeps the stand cut \
             until the self-test has passed",
            read.stand.page_address
        );
    };
    say(message(&value));
    let hash = ContentHash::of(&read.text);
    let wait_us = wait_us_max(&read);
    let mut told = String::new();
    let kept = loop {
        let reader = StoreReader::open(&read.store_folder)?;
        let kept = last_self_test(&reader, hash)?;
        if let Some(kept) = kept.filter(|kept| kept.report.wall_us >= begun_wall_us) {
            break kept;
        }
        // The person has to turn something by hand, and to be told when that is enough.
        if let Ok(Some(live)) = line.get("/api/live")
            && let Some(awaited) = live.get("waiting_for").and_then(|it| it.as_str())
            && awaited != told
        {
            say(&format!("waiting for: {awaited}"));
            awaited.clone_into(&mut told);
        }
        if clock.now().mono_us > wait_us {
            bail!("the daemon tells no result; `leverarm journal` may say why");
        }
        std::thread::sleep(LOOK_EVERY);
    };
    tell(&kept)?;
    say("the stand is armed; the last cut stays until you end it: leverarm release");
    Ok(())
}

fn wait_us_max(read: &StandFile) -> u64 {
    let guards = &read.stand.guards;
    let debounces: u64 = guards.iter().map(|g| u64::from(g.debounce_ms) * 1000).sum();
    BY_HAND_US_MAX + debounces + TRIAL_US_MAX * guards.len() as u64
}

/// Tests the guards of the stand file on a simulated stand, and keeps the result in the store of the
/// real one.
fn on_software_stand(file: &Path, seed: u64) -> Result<(), Failure> {
    let mut read = read_own_stand(file)?;
    start_log(LevelFilter::WARN);
    let clock = Clock::start();
    let mut store = Store::open(&read.store_folder).map_err(|error| match error {
        StoreError::Locked { .. } => anyhow!(
            "the daemon runs on {}; test its guards with its board: leverarm test-guards. On a \
             simulated stand they are tested while it does not run",
            read.store_folder.display()
        ),
        other => Failure::from(other),
    })?;
    let hash = store.put_stand(&read.text)?;
    let wait_us = wait_us_max(&read);
    let limit = read
        .stand
        .guards
        .iter()
        .filter(|guard| guard.action == GuardAction::Cut)
        .find_map(|guard| match guard.overspeed_rad_per_s()? {
            (Shaft::Drum, limit) => Some((guard.name.clone(), limit)),
            (Shaft::Engine, _) => None,
        });
    let rehearsal = Rehearsal::start(model_of(&read.stand), seed)?;
    rehearsal.switch_off()?;
    stand::rehearse_on(&mut read, &rehearsal);
    say("testing the guards on a simulated stand; nothing real is cut");
    let folder = read.store_folder.clone();
    let report = stand::runtime()?.block_on(async {
        let daemon = Daemon::start(read.options(crate::service::PageAccess::default())).await?;
        let handle = daemon.handle();
        until(&handle, CONNECT_US_MAX, "the simulated board", |live| {
            live.fit
        })
        .await?;
        let begun_wall_us = clock.now().wall_us;
        let asked = Clock::start();
        while let Err(refused) = ask(&handle, Command::SelfTest).await {
            // The simulated engine idled when it was switched on, and stops.
            if asked.now().mono_us > CONNECT_US_MAX {
                return Err(refused);
            }
            tokio::time::sleep(LOOK_EVERY).await;
        }
        rehearsal.turn_by_hand()?;
        let report = self_test_of(&folder, hash, begun_wall_us, wait_us).await?;
        if let Some((guard, limit)) = limit.filter(|_| report.passed) {
            runaway(&handle, &rehearsal, &guard, limit).await?;
        }
        daemon.stop().await?;
        Ok::<_, Failure>(report)
    })?;
    let on = TestedOn::SoftwareStand;
    keep_self_test(&mut store, hash, on, &report)?;
    let now = Now::new(0, report.wall_us);
    let event = report.event(now, " on a simulated stand").into();
    store.add_event(&event)?;
    let stand = hash.to_string();
    tell(&KeptSelfTest { stand, on, report })
}

async fn self_test_of(
    folder: &Path,
    hash: ContentHash,
    begun_wall_us: i64,
    wait_us: u64,
) -> Result<SelfTestReport, Failure> {
    let clock = Clock::start();
    while clock.now().mono_us < wait_us {
        let reader = StoreReader::open(folder)?;
        let kept = last_self_test(&reader, hash)?;
        if let Some(kept) = kept.filter(|kept| kept.report.wall_us >= begun_wall_us) {
            return Ok(kept.report);
        }
        tokio::time::sleep(LOOK_EVERY).await;
    }
    Err(anyhow!("the self-test of the guards did not end"))
}

async fn ask(handle: &Handle, command: Command) -> Result<(), Failure> {
    let done = handle.command(command).await?;
    done.map(drop).map_err(Failure::from)
}

async fn until(
    handle: &Handle,
    wait_us: u64,
    what: &str,
    is: impl Fn(&Live) -> bool,
) -> Result<(), Failure> {
    let clock = Clock::start();
    let live = handle.live();
    while !is(&live.borrow()) {
        if clock.now().mono_us > wait_us {
            bail!("waited in vain for {what}");
        }
        tokio::time::sleep(LOOK_EVERY).await;
    }
    Ok(())
}

/// Opens the throttle and leaves it open: the guard on the drum's speed has to end that.
async fn runaway(
    handle: &Handle,
    rehearsal: &Rehearsal,
    guard: &str,
    limit_rad_per_s: f64,
) -> Result<(), Failure> {
    let live = handle.live();
    let cut_id = live.borrow().cut.cut_id;
    if let Some(cut_id) = cut_id {
        ask(handle, Command::Release { cut_id }).await?;
    }
    let is_free = |live: &Live| live.cut.latch == CutLatch::Running;
    until(
        handle,
        TRIAL_US_MAX,
        "the simulated engine to be free",
        is_free,
    )
    .await?;
    rehearsal.run_away()?;
    let is_cut = |live: &Live| live.cut.latch == CutLatch::Confirmed;
    if until(handle, RUNAWAY_US_MAX, "a cut", is_cut)
        .await
        .is_err()
    {
        let peak = rehearsal.drum_peak_rad_per_s();
        if peak > limit_rad_per_s {
            bail!("guard \"{guard}\" did not cut, although the simulated drum ran past its limit");
        }
        say("runaway: the simulated engine does not reach the drum's limit; not tried");
        return Ok(());
    }
    // What the drum gains after the cut.
    tokio::time::sleep(LOOK_EVERY).await;
    let peak = rehearsal.drum_peak_rad_per_s();
    let cause = live.borrow().cut.cause.clone().unwrap_or_default();
    say(&format!(
        "runaway with the throttle stuck open: cut at {:.1} % of the drum's limit ({cause})",
        100.0 * peak / limit_rad_per_s
    ));
    Ok(())
}

/// Shows a self-test; an error when it did not pass.
fn tell(kept: &KeptSelfTest) -> Result<(), Failure> {
    let report = &kept.report;
    let mut table = Table::new(["guard", "", "tripped after", "board cut after", ""]);
    let ms = |ms: Option<f64>| ms.map_or_else(String::new, |ms| format!("{ms:.0} ms"));
    for trial in &report.trials {
        let outcome = match (&trial.failure, trial.tripped_ms) {
            (Some(failure), _) => failure.as_str(),
            (None, Some(_)) => "passed",
            (None, None) => "not to be tried at standstill",
        };
        table.add_row([
            trial.guard.as_str(),
            if trial.cuts { "cuts" } else { "warns" },
            &ms(trial.tripped_ms),
            &ms(trial.confirmed_ms),
            outcome,
        ]);
    }
    say(&table.to_string());
    if !report.passed {
        bail!("the guards did not pass: {}", report.failures().join("; "));
    }
    say(match kept.on {
        TestedOn::Board => {
            "all guards passed on the board. Cable, relay and kill switch: try them by hand too"
        }
        TestedOn::SoftwareStand => {
            "all guards of the stand file passed on a simulated stand. The board, its cable and the \
             relay were not part of it: with the daemon running, leverarm test-guards"
        }
    });
    Ok(())
}
