//! `demo`: the whole job on a simulated stand, through the real daemon and a real (pseudo-)terminal.

use anyhow::{Context, anyhow};
use std::path::{Path, PathBuf};
use std::time::Duration;

use indicatif::{ProgressBar, ProgressStyle};
use leverarm_config::Stand;
use leverarm_torque::curve::{Curve, CurvePoint, Peak};
use serde_json::{Value, json};
use tracing_subscriber::filter::LevelFilter;

use super::curve_output::{self, Named};
use super::pulls::{air_text, write_plot};
use super::terminal::Table;
use super::{Failure, json_line, say, start_log};
use crate::rehearsal::{DEMO_STAND, Rehearsal, engine_of, model_of, script_of};
use crate::service::{Daemon, NewSetupRequest, PageAccess, PullNotice, ServeOptions};
use leverarm_analysis::reduction::{CurveChoice, ReducedPull, reduce_pull};
use leverarm_plot::Theme;
use leverarm_software_stand::{CycleVariation, Engine, RiderEvent, RiderScript, Setup};
use leverarm_store::StoreReader;

/// An idling engine has stopped by then.
const RUN_OUT: Duration = Duration::from_millis(600);
const ORDER: [Setup; 3] = [Setup::MainJet105, Setup::MainJet110, Setup::MainJet105];
const PULLS_EACH: u32 = 3;
/// How much the simulated engine differs from pull to pull, relative, rms.
const SCATTER_RMS: f64 = 0.001;
/// Longest wait for three pulls; they take a third of it.
const ROUND_S_MAX: u64 = 45;

struct DemoStand {
    options: ServeOptions,
    rehearsal: Rehearsal,
    script: RiderScript,
}

/// The engine that a rehearsal of the demo's stand file has too.
fn engine(stand: &Stand, setup: Setup) -> Engine {
    Engine {
        scatter_rms: SCATTER_RMS,
        cycles: CycleVariation::HEALTHY,
        ..engine_of(stand, setup)
    }
}

fn prepare(out: &Path, seed: u64) -> Result<DemoStand, Failure> {
    std::fs::create_dir_all(out).with_context(|| out.display().to_string())?;
    let simulated = leverarm_config::parse("demo.toml", DEMO_STAND)?;
    let mut model = model_of(&simulated);
    model.engine = engine(&simulated, ORDER[0]);
    let rehearsal = Rehearsal::start(model, seed)?;
    let text = DEMO_STAND.replace("/dev/null", &rehearsal.path().display().to_string());
    let file = out.join("stand.toml");
    std::fs::write(&file, &text).with_context(|| file.display().to_string())?;
    let stand = leverarm_config::parse("stand.toml", &text)?;
    // Short pauses: nine pulls have to fit into a minute.
    let script = RiderScript {
        hold_s: 0.25,
        hold_scatter_s: 0.05,
        coast_s: 0.3,
        braking_rad_per_s2: 112.0,
        pause_s: 0.1,
        ..script_of(&stand, PULLS_EACH)
    };
    let options = ServeOptions {
        store_folder: out.join(&stand.store_folder),
        stand,
        stand_text: text,
        page_address: None,
        page_access: PageAccess::default(),
    };
    Ok(DemoStand {
        options,
        rehearsal,
        script,
    })
}

#[derive(Debug, clap::Args)]
pub(super) struct Arguments {
    /// Folder for store, stand file and plot
    #[arg(long, default_value = "leverarm-demo")]
    out: PathBuf,
    /// End with one JSON object on the last line
    #[arg(long)]
    json: bool,
    /// Seed of the simulation
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

pub(super) fn run(asked: &Arguments) -> Result<(), Failure> {
    let out = &asked.out;
    start_log(LevelFilter::ERROR);
    let demo = prepare(out, asked.seed)?;
    let store = demo.options.store_folder.clone();
    let stand = demo.options.stand.clone();
    let notices = super::stand::runtime()?.block_on(make_pulls(demo))?;
    let reader = StoreReader::open(&store)?;
    let mut pulls = Vec::new();
    for notice in &notices {
        pulls.push(reduce_pull(&reader, notice.id, CurveChoice::default())?);
    }
    let plot = out.join("torque-and-power.svg");
    draw(&pulls, &plot)?;
    draw(&pulls, &plot.with_extension("png"))?;
    print_table(&pulls);
    say(&format!("store      {}", store.display()));
    say(&format!("stand file {}", out.join("stand.toml").display()));
    say(&format!("plot       {} (and .png)", plot.display()));
    if asked.json {
        json_line(&summary(&stand, &pulls, &store, &plot));
    } else if let Some(pull) = pulls.first() {
        let stand = out.join("stand.toml");
        say(&format!(
            "next: leverarm show {} -c {}",
            pull.pull.id,
            stand.display()
        ));
        // A new stand does not know yet how much putting a part back moves its torque.
        say(&format!(
            "      leverarm compare {} \\\n        --typical-refit \"0.3 %\" -c {}",
            [Setup::MainJet105, Setup::MainJet110]
                .map(|setup| format!("\"{}\"", setup.label()))
                .join(" "),
            stand.display()
        ));
    }
    Ok(())
}

async fn make_pulls(demo: DemoStand) -> Result<Vec<PullNotice>, Failure> {
    let DemoStand {
        options,
        rehearsal,
        script,
    } = demo;
    let total = u64::from(PULLS_EACH) * ORDER.len() as u64;
    let bar = ProgressBar::new(total);
    if let Ok(style) =
        ProgressStyle::with_template("{bar:30} pull {pos} of {len}  {msg}  {elapsed}")
    {
        bar.set_style(style);
    }
    bar.enable_steady_tick(Duration::from_millis(250));
    let stand = options.stand.clone();
    let daemon = Daemon::start(options).await?;
    let handle = daemon.handle();
    let mut listener = handle.notices();
    let mut notices = Vec::new();
    for setup in ORDER {
        let request = NewSetupRequest {
            name: setup.label().to_owned(),
            notes: String::new(),
            parts: parts_of(setup),
            again: false,
        };
        handle.setup(request).await??;
        rehearsal.fit(engine(&stand, setup))?;
        rehearsal.ride(script)?;
        bar.set_message(setup.label());
        let round = async {
            let (mut stored, mut done) = (0, false);
            while stored < PULLS_EACH || !done {
                tokio::select! {
                    notice = listener.recv() => {
                        notices.push(notice?);
                        stored += 1;
                        bar.inc(1);
                    }
                    () = tokio::time::sleep(Duration::from_millis(20)) => {
                        done |= rehearsal.events().iter().any(|e| matches!(e, RiderEvent::Done { .. }));
                    }
                }
            }
            Ok::<(), Failure>(())
        };
        tokio::time::timeout(Duration::from_secs(ROUND_S_MAX), round).await.map_err(|_elapsed| {
            anyhow!(
                "the simulated stand did not make {PULLS_EACH} pulls in {ROUND_S_MAX} s; is this machine very busy?"
            )
        })??;
        // Nobody changes a jet on an engine that runs.
        rehearsal.switch_off()?;
        tokio::time::sleep(RUN_OUT).await;
    }
    bar.finish_and_clear();
    daemon.stop().await?;
    Ok(notices)
}

/// What is bolted on with a setup of the demo.
fn parts_of(setup: Setup) -> serde_json::Map<String, Value> {
    let jet = setup.label().trim_start_matches("main jet ");
    let parts = [("main jet", jet), ("needle clip", "2"), ("fuel", "petrol")];
    let part = |(key, value): (&str, &str)| (key.to_owned(), json!(value));
    parts.map(part).into_iter().collect()
}

fn setup_of(pull: &ReducedPull) -> &str {
    pull.pull.setup_name.as_deref().unwrap_or("no setup")
}

fn draw(pulls: &[ReducedPull], file: &Path) -> Result<(), Failure> {
    let Some(first) = pulls.first() else {
        return Ok(());
    };
    let mut groups: Vec<(&str, Vec<&Curve>)> = Vec::new();
    for pull in pulls {
        let setup = setup_of(pull);
        match groups.iter_mut().find(|(name, _)| *name == setup) {
            Some((_, curves)) => curves.push(&pull.curve),
            None => groups.push((setup, vec![&pull.curve])),
        }
    }
    let means: Vec<(&str, usize, Curve)> = groups
        .iter()
        .filter_map(|(setup, curves)| Some((*setup, curves.len(), mean(curves)?)))
        .collect();
    let named: Vec<Named<'_>> = means
        .iter()
        .enumerate()
        .map(|(style, (setup, count, curve))| Named {
            label: format!("{setup}, mean of {count}"),
            curve,
            style,
            detailed: true,
        })
        .collect();
    let notes = vec![
        air_text(
            &first.air,
            &first.correction,
            &first.curve,
            &first.stand.units,
        ),
        "bands: 95 %, all sources of uncertainty; simulated stand".to_owned(),
    ];
    let plot = curve_output::plot(
        "Main jet 105 against 110",
        &first.stand.name,
        &named,
        &first.stand.units,
        notes,
    );
    write_plot(&plot, file, Theme::Light)
}

/// Mean of curves on the speeds that all of them have.
fn mean(curves: &[&Curve]) -> Option<Curve> {
    let (first, rest) = curves.split_first()?;
    let at = |curve: &Curve, rpm: f64| {
        curve
            .points
            .iter()
            .find(|p| (p.rpm - rpm).abs() < 0.5)
            .filter(|p| p.trustworthy)
            .cloned()
    };
    let mut mean = (*first).clone();
    mean.points = first
        .points
        .iter()
        .filter_map(|point| {
            let others: Option<Vec<_>> = rest.iter().map(|curve| at(curve, point.rpm)).collect();
            let sum: f64 = others?.iter().map(|p| p.torque_nm).sum();
            let torque_nm = (point.torque_nm + sum) / curves.len() as f64;
            point.trustworthy.then(|| CurvePoint {
                torque_nm,
                ..point.clone()
            })
        })
        .collect();
    let best = |value: &dyn Fn(&CurvePoint) -> f64| {
        let top = mean
            .points
            .iter()
            .max_by(|a, b| value(a).total_cmp(&value(b)))?;
        Some(Peak {
            rpm: top.rpm,
            value: value(top),
        })
    };
    let peaks = (best(&|p| p.torque_nm), best(&CurvePoint::power_w));
    (mean.peak_torque, mean.peak_power) = peaks;
    Some(mean)
}

fn print_table(pulls: &[ReducedPull]) {
    let mut table = Table::new([
        "pull",
        "setup",
        "state",
        "peak torque",
        "peak power",
        "air factor",
    ]);
    for reduced in pulls {
        let units = reduced.stand.units;
        table.add_row([
            reduced.pull.id.to_string(),
            setup_of(reduced).to_owned(),
            reduced.pull.state.to_string(),
            curve_output::peak_text(reduced.curve.peak_torque, units.torque),
            curve_output::peak_text(reduced.curve.peak_power, units.power),
            format!("{:.4}", reduced.curve.factor.factor),
        ]);
    }
    say(&table.to_string());
}

fn summary(stand: &Stand, pulls: &[ReducedPull], store: &PathBuf, plot: &PathBuf) -> Value {
    let rows: Vec<Value> = pulls
        .iter()
        .map(|reduced| {
            let curve = &reduced.curve;
            json!({
                "id": reduced.pull.id.get(),
                "setup": reduced.pull.setup_name,
                "state": reduced.pull.state.word(),
                "peak_torque_nm": curve.peak_torque.map(|p| p.value),
                "peak_torque_rpm": curve.peak_torque.map(|p| p.rpm),
                "peak_power_w": curve.peak_power.map(|p| p.value),
                "peak_power_rpm": curve.peak_power.map(|p| p.rpm),
                "air_factor": curve.factor.factor,
            })
        })
        .collect();
    // The simulated engines' own curves, which the reduction never saw.
    let truth: serde_json::Map<String, Value> = [Setup::MainJet105, Setup::MainJet110]
        .into_iter()
        .map(|setup| {
            let peak = engine(stand, setup).full_throttle.peak();
            let object = json!({ "peak_torque_nm": peak.torque_nm, "peak_power_w": peak.power_w });
            (setup.label().to_owned(), object)
        })
        .collect();
    json!({ "pulls": rows, "truth": truth, "store": store, "plot": plot })
}
