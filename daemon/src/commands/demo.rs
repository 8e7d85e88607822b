//! `demo`: the whole job on a simulated stand, through the real daemon and a real (pseudo-)terminal.

use anyhow::{Context, anyhow, bail};
use std::path::{Path, PathBuf};
use std::time::Duration;

use indicatif::{ProgressBar, ProgressStyle};
use leverarm_config::Stand;
use leverarm_torque::curve::{Curve, CurvePoint, Peak};
use serde_json::{Value, json};
use tracing_subscriber::filter::LevelFilter;

use super::curve_output::{self, Named};
use super::pulls::{air_text, write_plot};
use super::stand::Signals;
use super::terminal::Table;
use super::{Failure, json_line, say, start_log};
use crate::rehearsal::{
    DEMO_BRAKE, DEMO_STAND, Rehearsal, Throttle, engine_of, model_of, ready, script_of,
};
use crate::service::{Daemon, Handle, NewSetupRequest, PageAccess, PullNotice, ServeOptions};
use leverarm_analysis::reduction::{CurveChoice, ReducedPull, reduce_pull};
use leverarm_live::{Command, Live};
use leverarm_plot::Theme;
use leverarm_software_stand::{CycleVariation, Engine, RiderEvent, RiderScript, Setup};
use leverarm_store::StoreReader;
use leverarm_torque::curve::{How, RAD_PER_S_PER_RPM};
use leverarm_vocabulary::load::{LoadOrder, LoadWord, Step, StepList};

/// An idling engine has stopped by then.
const RUN_OUT: Duration = Duration::from_millis(600);
const ORDER: [Setup; 3] = [Setup::MainJet105, Setup::MainJet110, Setup::MainJet105];
const PULLS_EACH: u32 = 3;
/// How much the simulated engine differs from pull to pull, relative, rms.
const SCATTER_RMS: f64 = 0.001;
/// Speeds that a brake held are the same within this share.
const SAME_SPEED: f64 = 0.002;
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

fn prepare(out: &Path, seed: u64, stand_text: &str) -> Result<DemoStand, Failure> {
    std::fs::create_dir_all(out).with_context(|| out.display().to_string())?;
    let simulated = leverarm_config::parse("demo.toml", stand_text)?;
    let mut model = model_of(&simulated);
    model.engine = engine(&simulated, ORDER[0]);
    let rehearsal = Rehearsal::start(model, seed)?;
    let text = stand_text.replace("/dev/null", &rehearsal.path().display().to_string());
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
    /// A step test and a sweep with each setup on a simulated brake, instead of pulls
    #[arg(long)]
    brake: bool,
    /// Seed of the simulation
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

pub(super) fn run(asked: &Arguments) -> Result<(), Failure> {
    let out = &asked.out;
    start_log(LevelFilter::ERROR);
    let text = if asked.brake { DEMO_BRAKE } else { DEMO_STAND };
    let demo = prepare(out, asked.seed, text)?;
    let store = demo.options.store_folder.clone();
    let stand = demo.options.stand.clone();
    let made = super::stand::runtime()?.block_on(async {
        let mut signals = Signals::listen()?;
        let daemon = Daemon::start(demo.options).await?;
        let rig = Rig {
            handle: daemon.handle(),
            stand: &stand,
            rehearsal: demo.rehearsal,
            script: demo.script,
        };
        let make = async {
            if asked.brake {
                rig.make_steps().await
            } else {
                rig.make_pulls().await
            }
        };
        let made = tokio::select! {
            made = make => Some(made?),
            _ = signals.next() => None,
        };
        daemon.stop().await?;
        Ok::<_, Failure>(made)
    })?;
    let Some(notices) = made else {
        let (store, file) = (store.display(), out.join("stand.toml"));
        let stopped = format!(
            "stopped; what was made until then is kept in {store}: leverarm pulls -c {}",
            file.display()
        );
        if asked.json {
            bail!(stopped);
        }
        say(&stopped);
        return Ok(());
    };
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

fn bar(what: &str, total: u64) -> ProgressBar {
    let bar = ProgressBar::new(total);
    let template = format!("{{bar:30}} {what} {{pos}} of {{len}}  {{msg}}  {{elapsed}}");
    if let Ok(style) = ProgressStyle::with_template(&template) {
        bar.set_style(style);
    }
    bar.enable_steady_tick(Duration::from_millis(250));
    bar
}

/// The daemon and its simulated stand.
struct Rig<'a> {
    handle: Handle,
    stand: &'a Stand,
    rehearsal: Rehearsal,
    script: RiderScript,
}

impl Rig<'_> {
    /// Bolts a setup on the engine, and says so.
    async fn mount(&self, setup: Setup) -> Result<(), Failure> {
        let request = NewSetupRequest {
            name: setup.label().to_owned(),
            notes: String::new(),
            parts: parts_of(setup),
            again: false,
        };
        self.handle.setup(request).await??;
        Ok(self.rehearsal.fit(engine(self.stand, setup))?)
    }

    /// Nobody changes a jet on an engine that runs.
    async fn run_out(&self) -> Result<(), Failure> {
        self.rehearsal.switch_off()?;
        tokio::time::sleep(RUN_OUT).await;
        Ok(())
    }

    async fn make_pulls(&self) -> Result<Vec<PullNotice>, Failure> {
        let bar = bar("pull", u64::from(PULLS_EACH) * ORDER.len() as u64);
        let mut listener = self.handle.notices();
        let mut notices = Vec::new();
        for setup in ORDER {
            self.mount(setup).await?;
            self.rehearsal.ride(self.script)?;
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
                            done |= self.rehearsal.events().iter().any(|e| matches!(e, RiderEvent::Done { .. }));
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
            self.run_out().await?;
        }
        bar.finish_and_clear();
        Ok(notices)
    }

    /// A step test and a sweep with each setup, as a person makes them with `leverarm load`.
    async fn make_steps(&self) -> Result<Vec<PullNotice>, Failure> {
        let speed = |rpm: f64| rpm * RAD_PER_S_PER_RPM;
        let steps = StepList {
            steps: STEPS_RPM
                .map(|rpm| Step::Speed {
                    rad_per_s: speed(rpm),
                })
                .to_vec(),
            ..StepList::default()
        };
        let [first, .., last] = STEPS_RPM;
        let sweep = StepList::sweep(speed(first), speed(last), speed(SWEEP_RPM_PER_S));
        let bar = bar("test", 2 * ORDER.len() as u64);
        let mut listener = self.handle.notices();
        let mut notices = Vec::new();
        let ready_rpm = self.script.start_rad_per_s / RAD_PER_S_PER_RPM;
        for setup in ORDER {
            self.mount(setup).await?;
            self.rehearsal.ride(ready(self.script))?;
            let mut hand = Hand {
                rig: self,
                throttle: Throttle::Ready,
            };
            bar.set_message(format!("{}: warming up", setup.label()));
            hand.wait(|live| {
                live.engine_rpm
                    .is_some_and(|rpm| (rpm / ready_rpm - 1.0).abs() < 0.05)
            })
            .await?;
            hand.word(LoadWord::Arm).await?;
            hand.wait(|live| live.load.as_ref().is_some_and(|load| load.armed))
                .await?;
            for (list, what) in [(&steps, "steps"), (&sweep, "sweep")] {
                hand.wait(|live| live.engine_rpm.is_some_and(|rpm| rpm < 1.1 * first))
                    .await?;
                bar.set_message(format!("{}: {what}", setup.label()));
                let order = LoadOrder::speed(speed(first), None);
                hand.word(LoadWord::Order(order)).await?;
                hand.wait(|live| {
                    let holds = live
                        .load
                        .as_ref()
                        .and_then(|load| load.demand_nm)
                        .is_some_and(|nm| nm > 1.0);
                    holds
                        && live
                            .engine_rpm
                            .is_some_and(|rpm| (rpm / first - 1.0).abs() < 0.02)
                })
                .await?;
                hand.word(LoadWord::Steps(list.clone())).await?;
                hand.wait(|live| live.load.as_ref().is_some_and(|load| load.run.is_none()))
                    .await?;
                let kept = tokio::time::timeout(Duration::from_secs(10), listener.recv()).await;
                notices.push(kept.context("no pull was kept of a list of steps")??);
                bar.inc(1);
            }
            hand.word(LoadWord::Release {
                though_it_pulls: false,
            })
            .await?;
            self.run_out().await?;
        }
        bar.finish_and_clear();
        Ok(notices)
    }
}

/// Engine speeds of the step test, rpm.
const STEPS_RPM: [f64; 6] = [3_500.0, 4_500.0, 5_500.0, 6_500.0, 7_500.0, 8_500.0];
/// The sweep after it, from the first to the last of them, rpm/s.
const SWEEP_RPM_PER_S: f64 = 900.0;
/// Longest wait for something on the simulated brake; a list takes a third of it.
const BRAKE_S_MAX: u64 = 90;

/// The person at the simulated brake: one hand on the page, one on the throttle.
struct Hand<'a> {
    rig: &'a Rig<'a>,
    throttle: Throttle,
}

impl Hand<'_> {
    async fn word(&self, word: LoadWord) -> Result<(), Failure> {
        // The board may take a moment to have its settings.
        for _ in 0..40 {
            let command = Command::Load(word.clone());
            if self.rig.handle.command(command).await?.is_ok() {
                return Ok(());
            }
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
        self.rig.handle.command(Command::Load(word)).await??;
        Ok(())
    }

    async fn wait(&mut self, is_so: impl Fn(&Live) -> bool) -> Result<(), Failure> {
        let live = self.rig.handle.live();
        let looks = BRAKE_S_MAX * 50;
        for _ in 0..looks {
            tokio::time::sleep(Duration::from_millis(20)).await;
            let (wanted, is_done, cut) = {
                let live = live.borrow();
                (Throttle::by(&live), is_so(&live), live.cut.cause.clone())
            };
            let rig = self.rig;
            self.throttle.work(wanted, &rig.rehearsal, rig.script)?;
            if is_done {
                return Ok(());
            }
            if let Some(cause) = cut {
                return Err(anyhow!("the simulated brake was cut: {cause}"));
            }
        }
        Err(anyhow!(
            "the simulated brake did not get there in {BRAKE_S_MAX} s; is this machine very busy?"
        ))
    }
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
            .find(|p| (p.rpm - rpm).abs() < SAME_SPEED * rpm)
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

/// What a stored test is: a rise against a drum, a rise or fall that a brake led, or held speeds.
fn kind_of(reduced: &ReducedPull) -> &'static str {
    let is_led = reduced.stand.absorber.is_some();
    let is_swept = reduced
        .curve
        .points
        .iter()
        .any(|point| point.how == How::Sweep);
    match (is_led, is_swept) {
        (false, _) => "pull",
        (true, true) => "sweep",
        (true, false) => "steps",
    }
}

fn points_of(reduced: &ReducedPull) -> Vec<Value> {
    let points = reduced
        .curve
        .points
        .iter()
        .filter(|point| point.trustworthy);
    points
        .map(|point| {
            json!({
                "rpm": point.rpm,
                "torque_nm": point.torque_nm,
                "expanded_uncertainty_nm": point.expanded_uncertainty_nm(),
                "held_s": match point.how {
                    How::Steady { seconds } => Some(seconds),
                    How::Sweep => None,
                },
            })
        })
        .collect()
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
                "kind": kind_of(reduced),
                "points": points_of(reduced),
            })
        })
        .collect();
    // The simulated engines' own curves, which the reduction never saw.
    let truth: serde_json::Map<String, Value> = [Setup::MainJet105, Setup::MainJet110]
        .into_iter()
        .map(|setup| {
            let peak = engine(stand, setup).full_throttle.peak();
            let curve = engine(stand, setup).full_throttle;
            let points: Vec<Value> = (30..=90)
                .map(|hundred| f64::from(hundred) * 100.0)
                .map(|rpm| json!({ "rpm": rpm, "torque_nm": curve.torque_nm(rpm * RAD_PER_S_PER_RPM) }))
                .collect();
            let object = json!({
                "peak_torque_nm": peak.torque_nm,
                "peak_power_w": peak.power_w,
                "points": points,
            });
            (setup.label().to_owned(), object)
        })
        .collect();
    json!({ "pulls": rows, "truth": truth, "store": store, "plot": plot })
}
