//! `load`: the load of a brake stand, through the running daemon.

use anyhow::{anyhow, bail};
use std::time::Duration;

use leverarm_analysis::calibration::load;
use leverarm_analysis::plan::{self, Next};
use leverarm_config::{Stand, display::DisplayUnit, units};
use leverarm_store::{PullId, PullState, StoreReader};
use leverarm_vocabulary::load::{LoadOrder, LoadWord, Step, StepList};
use serde_json::Value;

use super::calibrate::{Common, Session};
use super::control::{Line, message};
use super::dialogue::quantity;
use super::terminal::Table;
use super::{DaemonArgument, Failure, read_stand, say};

const LOOK_EVERY: Duration = Duration::from_millis(200);

#[derive(Debug, clap::Subcommand)]
pub(super) enum Load {
    /// Let load be put on: your word that the stand is ready. It begins with none
    Arm(WordArguments),
    /// Take the load off, and let none be put on before it is armed again
    Release(ReleaseArguments),
    /// Hold a speed of the engine
    Hold(HoldArguments),
    /// Hold a torque
    Torque(TorqueArguments),
    /// Hold like a road: by the coast-down coefficients of a vehicle
    Road(RoadArguments),
    /// Read a list of speeds or torques, each held for as long as its uncertainty needs; kept as a pull
    Steps(StepsArguments),
    /// Sweep from one speed to another at a rate, up or down; kept as a pull
    Sweep(SweepArguments),
    /// Run the list of steps that the test plan wants next
    Plan(PlanArguments),
    /// Tune the loop by measurement: holds a speed at part throttle, switches the load to and fro, and puts in force what comes
    /// out
    Tune(TuneArguments),
    /// Say how the load is
    Show(WordArguments),
}

#[derive(Debug, clap::Args)]
pub(super) struct WordArguments {
    #[command(flatten)]
    daemon: DaemonArgument,
}

#[derive(Debug, clap::Args)]
pub(super) struct ReleaseArguments {
    /// Also while the engine pulls: it will speed up until a guard cuts it
    #[arg(long)]
    though_it_pulls: bool,
    #[command(flatten)]
    daemon: DaemonArgument,
}

#[derive(Debug, clap::Args)]
pub(super) struct HoldArguments {
    /// Speed of the engine, such as "5000 rpm"
    speed: String,
    /// How fast to get there, such as "300 rpm/s"; as fast as it goes when left out
    #[arg(long)]
    rate: Option<String>,
    #[command(flatten)]
    daemon: DaemonArgument,
}

#[derive(Debug, clap::Args)]
pub(super) struct TorqueArguments {
    /// The absorber's torque at the crank, such as "6 N*m"
    torque: String,
    #[command(flatten)]
    daemon: DaemonArgument,
}

#[derive(Debug, clap::Args)]
#[command(
    override_usage = "leverarm load road [OPTIONS] --f0 <FORCE> --circumference <LENGTH>\n\
                      \x20                         --gearing <NUMBER>"
)]
pub(super) struct RoadArguments {
    /// Constant part of the coast-down force, such as "120 N"
    #[arg(long, value_name = "FORCE")]
    f0: String,
    /// Part that goes with speed, N per m/s
    #[arg(long, default_value_t = 0.0)]
    f1: f64,
    /// Part that goes with speed squared, N per (m/s)²
    #[arg(long, default_value_t = 0.0)]
    f2: f64,
    /// Way of the driven wheel in one turn, such as "1.86 m"
    #[arg(long, value_name = "LENGTH")]
    circumference: String,
    /// Turns of the crank in one turn of the wheel, in the gear that is driven
    #[arg(long, value_name = "NUMBER")]
    gearing: f64,
    #[command(flatten)]
    daemon: DaemonArgument,
}

#[derive(Debug, clap::Args)]
pub(super) struct StepsArguments {
    /// Speeds of the engine in order, such as "3000 rpm" "3500 rpm"; torques likewise
    #[arg(required_unless_present = "from")]
    at: Vec<String>,
    /// First speed of an even row
    #[arg(long, requires = "to", requires = "every", conflicts_with = "at")]
    from: Option<String>,
    /// Last speed of an even row
    #[arg(long)]
    to: Option<String>,
    /// Distance in an even row
    #[arg(long)]
    every: Option<String>,
    #[command(flatten)]
    needs: NeedsArguments,
    #[command(flatten)]
    kept: KeptArguments,
    /// Do not wait for the end
    #[arg(long)]
    no_wait: bool,
    #[command(flatten)]
    daemon: DaemonArgument,
}

#[derive(Debug, clap::Args)]
pub(super) struct NeedsArguments {
    /// Half width of a step's 95 % interval by scatter and drift, of its torque
    #[arg(long, default_value = "0.5 %")]
    uncertainty: String,
    /// Shortest time that a step is read
    #[arg(long, default_value = "2.5 s")]
    shortest: String,
    /// A step that is not steady by then is left
    #[arg(long, default_value = "60 s")]
    longest: String,
    /// Fastest change of a temperature at a steady step, such as "0.1 K/s"; not looked at when left out
    #[arg(long)]
    warming: Option<String>,
}

#[derive(Debug, clap::Args)]
pub(super) struct PlanArguments {
    /// Do not wait for the end
    #[arg(long)]
    no_wait: bool,
    #[command(flatten)]
    daemon: DaemonArgument,
}

/// What is kept with a list.
#[derive(Debug, clap::Args)]
pub(super) struct KeptArguments {
    /// What the list is called: a test plan may ask for it
    #[arg(long)]
    name: Option<String>,
    /// How far you hold the throttle open meanwhile, such as "40 %", for a map; fully when left out
    #[arg(long, value_name = "SHARE")]
    throttle: Option<String>,
}

impl KeptArguments {
    fn of(&self, list: StepList) -> Result<StepList, Failure> {
        let throttle = self.throttle.as_deref();
        let list = StepList {
            name: self.name.clone(),
            throttle: throttle.map(share).transpose()?,
            ..list
        };
        list.check()?;
        Ok(list)
    }
}

#[derive(Debug, clap::Args)]
pub(super) struct SweepArguments {
    /// Speed of the engine to begin at, held until it is steady
    from: String,
    /// Speed to end at
    to: String,
    /// How fast, such as "300 rpm/s"
    #[arg(long)]
    rate: String,
    #[command(flatten)]
    kept: KeptArguments,
    /// Do not wait for the end
    #[arg(long)]
    no_wait: bool,
    #[command(flatten)]
    daemon: DaemonArgument,
}

pub(super) fn share(text: &str) -> Result<f64, Failure> {
    Ok(quantity(text, &units::FRACTION)?.value)
}

#[derive(Debug, clap::Args)]
pub(super) struct TuneArguments {
    /// Speed of the engine, such as "4000 rpm"
    #[arg(required_unless_present = "from")]
    speed: Option<String>,
    /// Read a run that was kept before, by its number, instead of making one
    #[arg(long, value_name = "PULL", conflicts_with = "speed")]
    from: Option<i64>,
    #[command(flatten)]
    common: Common,
}

pub(super) fn speed(text: &str) -> Result<f64, Failure> {
    Ok(quantity(text, &units::ROTATION)?.value)
}

pub(super) fn rate(text: &str) -> Result<f64, Failure> {
    Ok(quantity(text, &units::ROTATION_RATE)?.value)
}

/// A speed, or else a torque.
pub(super) fn step(text: &str) -> Result<Step, Failure> {
    match speed(text) {
        Ok(rad_per_s) => Ok(Step::Speed { rad_per_s }),
        Err(not_a_speed) => match quantity(text, &units::TORQUE) {
            Ok(torque) => Ok(Step::Torque { nm: torque.value }),
            Err(_) => Err(not_a_speed),
        },
    }
}

impl StepsArguments {
    fn list(&self) -> Result<StepList, Failure> {
        let even = match (&self.from, &self.to, &self.every) {
            (Some(from), Some(to), Some(every)) => row(speed(from)?, speed(to)?, speed(every)?)?,
            _ => Vec::new(),
        };
        let named = self.at.iter().map(|text| step(text));
        let steps = named.collect::<Result<Vec<_>, _>>()?;
        self.kept.of(self.needs.list([even, steps].concat())?)
    }
}

impl NeedsArguments {
    fn list(&self, steps: Vec<Step>) -> Result<StepList, Failure> {
        let list = StepList {
            steps,
            torque_share: share(&self.uncertainty)?,
            seconds_min: quantity(&self.shortest, &units::DURATION)?.value,
            seconds_max: quantity(&self.longest, &units::DURATION)?.value,
            kelvin_per_s: match &self.warming {
                Some(text) => Some(quantity(text, &units::HEATING_RATE)?.value),
                None => None,
            },
            ..StepList::default()
        };
        Ok(list)
    }
}

/// Speeds from one to another, both among them.
pub(super) fn row(from: f64, to: f64, every: f64) -> Result<Vec<Step>, Failure> {
    let count = ((to - from) / every).abs();
    if !(every > 0.0 && count <= leverarm_vocabulary::load::STEPS_MAX as f64) {
        bail!(
            "--every: expected a distance that makes at most {} steps",
            leverarm_vocabulary::load::STEPS_MAX
        );
    }
    let distance = every * (to - from).signum();
    let mut steps = Vec::new();
    let mut place = 0.0;
    while place <= count + 1e-6 {
        steps.push(Step::Speed {
            rad_per_s: from + place * distance,
        });
        place += 1.0;
    }
    Ok(steps)
}

/// Torque over speed at the crank, from the force over speed of a vehicle: torque = force × way of the crank in a radian.
fn road(asked: &RoadArguments) -> Result<LoadOrder, Failure> {
    let circumference_m = quantity(&asked.circumference, &units::LENGTH)?.value;
    if !(asked.gearing > 0.0 && circumference_m > 0.0) {
        bail!("--gearing, --circumference: expected more than 0");
    }
    let m_per_rad = circumference_m / std::f64::consts::TAU / asked.gearing;
    Ok(LoadOrder::Road {
        nm: quantity(&asked.f0, &units::FORCE)?.value * m_per_rad,
        nm_s: asked.f1 * m_per_rad.powi(2),
        nm_s2: asked.f2 * m_per_rad.powi(3),
    })
}

pub(super) fn run(asked: &Load) -> Result<(), Failure> {
    match asked {
        Load::Arm(asked) => tell(&asked.daemon, &LoadWord::Arm, false),
        Load::Release(asked) => {
            let word = LoadWord::Release {
                though_it_pulls: asked.though_it_pulls,
            };
            tell(&asked.daemon, &word, false)
        }
        Load::Hold(asked) => {
            let rad_per_s2 = asked.rate.as_deref().map(rate).transpose()?;
            let rad_per_s = speed(&asked.speed)?;
            let order = LoadOrder::speed(rad_per_s, rad_per_s2);
            tell(&asked.daemon, &LoadWord::Order(order), false)
        }
        Load::Torque(asked) => {
            let nm = quantity(&asked.torque, &units::TORQUE)?.value;
            let order = LoadOrder::Torque { nm };
            tell(&asked.daemon, &LoadWord::Order(order), false)
        }
        Load::Road(asked) => tell(&asked.daemon, &LoadWord::Order(road(asked)?), false),
        Load::Steps(asked) => tell(
            &asked.daemon,
            &LoadWord::Steps(asked.list()?),
            !asked.no_wait,
        ),
        Load::Sweep(asked) => {
            let list = StepList::sweep(speed(&asked.from)?, speed(&asked.to)?, rate(&asked.rate)?);
            let list = asked.kept.of(list)?;
            tell(&asked.daemon, &LoadWord::Steps(list), !asked.no_wait)
        }
        Load::Plan(asked) => {
            let list = planned_list(&asked.daemon)?;
            tell(&asked.daemon, &LoadWord::Steps(list), !asked.no_wait)
        }
        Load::Tune(asked) => tune(asked),
        Load::Show(asked) => {
            let stand = read_stand(&asked.daemon.stand.file)?.stand;
            let line = Line::to(&stand, &asked.daemon)?;
            show(&load_of(&line)?, stand.units.torque);
            Ok(())
        }
    }
}

/// The list that the plan under way wants next.
fn planned_list(daemon: &DaemonArgument) -> Result<StepList, Failure> {
    let reader = StoreReader::open(&read_stand(&daemon.stand.file)?.store_folder)?;
    let current = plan::current(&reader)?.filter(|it| !it.is_left);
    let Some(current) = current else {
        bail!("no test plan is under way; begin one with `leverarm plan begin`");
    };
    let next = current
        .plan
        .standing(&plan::made_since(&reader, &current)?)
        .next;
    let list = match &next {
        Next::Pull { list, .. } => list.as_ref().and_then(|name| current.plan.list(name)),
        Next::Done => None,
    };
    let list =
        list.ok_or_else(|| anyhow!("the plan wants no list of steps now; {}", next.words()))?;
    say(&next.words());
    Ok(list.clone())
}

/// Gives a word; for a list of steps waits until it is over.
fn tell(daemon: &DaemonArgument, word: &LoadWord, waits: bool) -> Result<(), Failure> {
    let stand: Stand = read_stand(&daemon.stand.file)?.stand;
    let line = Line::to(&stand, daemon)?;
    let answer = line.needed(line.post("/api/load", &serde_json::to_value(word)?))?;
    say(message(&answer));
    if waits {
        return follow(&line, stand.units.torque);
    }
    if matches!(word, LoadWord::Arm) {
        for _ in 0..10 {
            if load_of(&line)?.get("armed") == Some(&Value::Bool(true)) {
                return Ok(());
            }
            std::thread::sleep(LOOK_EVERY);
        }
        bail!("the board does not say that its load is armed; `leverarm load show` tells more");
    }
    Ok(())
}

/// Makes a run with the output switched, unless one is named, and tunes the loop from it.
fn tune(asked: &TuneArguments) -> Result<(), Failure> {
    let mut session = Session::open(&asked.common.store, asked.common.json)?;
    let pull = match asked.from {
        Some(number) => PullId::new(number),
        None => {
            let rad_per_s = speed(asked.speed.as_deref().unwrap_or_default())?;
            run_for_tuning(&mut session, asked, rad_per_s)?
        }
    };
    let outcome = load::tune(session.known(), session.reader()?, pull)?;
    session.finish(outcome, &asked.common)?;
    if !asked.common.json && !asked.common.dry_run {
        say("the board takes it when the load is armed next; until then it holds as it did");
    }
    Ok(())
}

/// The number of the pull that it is kept as.
fn run_for_tuning(
    session: &mut Session,
    asked: &TuneArguments,
    rad_per_s: f64,
) -> Result<PullId, Failure> {
    let stand: Stand = session.stand().clone();
    let line = Line::to(&stand, &asked.common.store.daemon)?;
    let word = serde_json::to_value(LoadWord::Tune { rad_per_s })?;
    let newest = |session: &Session| -> Result<Option<PullId>, Failure> {
        let Ok(reader) = session.reader() else {
            return Ok(None);
        };
        Ok(reader.pulls()?.iter().map(|pull| pull.id).max())
    };
    let before = newest(session)?;
    let answer = line.needed(line.post("/api/load", &word))?;
    let tells = !asked.common.json;
    if tells {
        say(message(&answer));
    }
    let mut told = String::new();
    loop {
        std::thread::sleep(LOOK_EVERY);
        let load = load_of(&line)?;
        let Some(tuning) = load.get("tuning").filter(|it| !it.is_null()) else {
            if let Some(why) = load.get("tuning_given_up").and_then(Value::as_str) {
                bail!("given up: {why}");
            }
            break;
        };
        let waits = tuning
            .get("waits_for")
            .and_then(Value::as_str)
            .unwrap_or("");
        // Not each switch.
        let phase = waits.split(':').next().unwrap_or("");
        if tells && phase != told {
            say(&format!("waiting for {phase}"));
            phase.clone_into(&mut told);
        }
    }
    for _ in 0..50 {
        session.reopen()?;
        let found = newest(session)?.filter(|id| Some(*id) > before);
        if let Some(id) = found
            && session.reader()?.pull(id)?.state != PullState::Running
        {
            return Ok(id);
        }
        std::thread::sleep(LOOK_EVERY);
    }
    bail!("the run was made, but no pull of it came into the store; `leverarm journal` tells why")
}

fn load_of(line: &Line<'_>) -> Result<Value, Failure> {
    let live = line.needed(line.get("/api/live"))?;
    let load = live.get("load").filter(|load| !load.is_null()).cloned();
    load.ok_or_else(|| anyhow!("the stand file has no [absorber], so there is no load to command"))
}

/// Tells each step as it is done.
fn follow(line: &Line<'_>, unit: DisplayUnit) -> Result<(), Failure> {
    let mut told = 0;
    let mut waited_for = String::new();
    loop {
        std::thread::sleep(LOOK_EVERY);
        let load = load_of(line)?;
        let run = load.get("run").filter(|run| !run.is_null());
        let done = run.map_or_else(|| load.get("last_steps"), |run| run.get("done"));
        let done = done.and_then(Value::as_array).cloned().unwrap_or_default();
        for step in done.iter().skip(told) {
            say(&step_words(told + 1, step, unit));
            told += 1;
        }
        let Some(run) = run else {
            break;
        };
        let waits = run.get("waits_for").and_then(Value::as_str).unwrap_or("");
        if waits.starts_with("the throttle") && waited_for != waits {
            say(&format!("waiting for {waits}"));
            waited_for = waits.to_owned();
        }
    }
    let load = load_of(line)?;
    if let Some(why) = load.get("why").and_then(Value::as_str) {
        bail!("the load is off: {why}; `leverarm journal` has more");
    }
    say("done; `leverarm pulls` lists what was kept");
    Ok(())
}

fn number(value: &Value, key: &str) -> Option<f64> {
    value.get(key).and_then(Value::as_f64)
}

fn step_words(place: usize, step: &Value, unit: DisplayUnit) -> String {
    let rpm = number(step, "engine_rpm").unwrap_or(0.0);
    let seconds = number(step, "seconds").unwrap_or(0.0);
    let torque = match (
        number(step, "torque_nm"),
        number(step, "expanded_uncertainty_nm"),
    ) {
        (Some(nm), Some(u)) => format!(
            ", absorber {:.2} ± {} at the crank",
            unit.number(nm),
            unit.text(u, 2)
        ),
        (Some(nm), None) => format!(", absorber {} at the crank", unit.text(nm, 2)),
        _ => String::new(),
    };
    let lacks = step.get("lacks").and_then(Value::as_str);
    let lacks = lacks.map_or(String::new(), |it| format!("; NOT STEADY: {it}"));
    format!("step {place}: {rpm:.0} rpm{torque}, {seconds:.1} s{lacks}")
}

/// Whether a torque that was ordered would let the engine run past the highest speed of a pull: the board asks for more then.
fn is_at_its_limit(load: &Value) -> bool {
    const ABOVE: f64 = 1.03;
    let ordered = load.pointer("/order/torque/nm").and_then(Value::as_f64);
    let is_torque = load.get("mode").and_then(Value::as_str) == Some("torque");
    match (ordered, number(load, "demand_nm")) {
        (Some(ordered), Some(demand)) => is_torque && demand > ABOVE * ordered,
        _ => false,
    }
}

fn show(load: &Value, unit: DisplayUnit) {
    let text = |key: &str| load.get(key).and_then(Value::as_str).map(ToOwned::to_owned);
    let torque = |key: &str| number(load, key).map(|nm| unit.text(nm, 2));
    let is = |key: &str| load.get(key) == Some(&Value::Bool(true));
    let rows = [
        ("can't be commanded", text("lacks")),
        (
            "armed",
            Some(if is("armed") { "yes" } else { "no" }.to_owned()),
        ),
        ("mode", text("mode")),
        ("demand at the crank", torque("demand_nm")),
        (
            "output",
            number(load, "output").map(|it| format!("{:.1} %", 100.0 * it)),
        ),
        (
            "led along",
            number(load, "reference_rpm")
                .filter(|_| text("mode").as_deref() == Some("speed"))
                .map(|it| format!("{it:.0} rpm")),
        ),
        (
            "more than ordered",
            is_at_its_limit(load).then(|| "the speed is at its limit".to_owned()),
        ),
        ("engine as it sees it", torque("engine_nm")),
        ("saturated", is("saturated").then(|| "yes".to_owned())),
        ("why there is none", text("why")),
    ];
    let mut table = Table::new(["load", ""]);
    for (name, value) in rows {
        if let Some(value) = value {
            table.add_row([name.to_owned(), value]);
        }
    }
    say(&table.to_string());
    if let Some(tuning) = load.get("tuning").filter(|it| !it.is_null()) {
        let waits = tuning.get("waits_for").and_then(Value::as_str);
        say(&format!("tuning: waits for {}", waits.unwrap_or("")));
    }
    if let Some(run) = load.get("run").filter(|run| !run.is_null()) {
        let at = |key: &str| run.get(key).and_then(Value::as_u64).unwrap_or(0);
        let waits = run.get("waits_for").and_then(Value::as_str).unwrap_or("");
        let (step, steps) = (at("step"), at("steps"));
        if step > steps {
            say(&format!("all {steps} steps are read: waits for {waits}"));
        } else {
            say(&format!("step {step} of {steps}: waits for {waits}"));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use leverarm_torque::curve::RAD_PER_S_PER_RPM;

    #[test]
    fn rows_hold_both_ends() {
        let steps = row(300.0, 500.0, 50.0).unwrap();
        assert_eq!(steps.len(), 5);
        assert_eq!(steps[4], Step::Speed { rad_per_s: 500.0 });
        assert_eq!(row(500.0, 300.0, 100.0).unwrap().len(), 3);
        assert!(row(300.0, 500.0, 0.0).is_err());
    }

    #[test]
    fn a_step_is_a_speed_or_a_torque() {
        let rpm = 3_000.0 * RAD_PER_S_PER_RPM;
        let Step::Speed { rad_per_s } = step("3000 rpm").unwrap() else {
            panic!("a speed");
        };
        assert!((rad_per_s - rpm).abs() < 1e-9);
        assert_eq!(step("6 N*m").unwrap(), Step::Torque { nm: 6.0 });
        assert!(step("6 kg").unwrap_err().to_string().contains("a speed"));
    }

    /// A car of F = 100 N + 0.5 N/(m/s)² v² at 20 m/s: 300 N, 6 kW. At a gearing of 5 and wheels of 2 m that is an engine at
    /// 50 turns a second, and 6 kW / 314.16 rad/s = 19.10 N·m.
    #[test]
    fn a_road_takes_the_vehicles_power() {
        let arguments = RoadArguments {
            f0: "100 N".to_owned(),
            f1: 0.0,
            f2: 0.5,
            circumference: "2 m".to_owned(),
            gearing: 5.0,
            daemon: DaemonArgument {
                stand: super::super::StandArgument {
                    file: "stand.toml".into(),
                },
                token_file: None,
            },
        };
        let LoadOrder::Road { nm, nm_s, nm_s2 } = road(&arguments).unwrap() else {
            panic!("a road");
        };
        let speed = 50.0 * std::f64::consts::TAU;
        let torque = nm + nm_s * speed + nm_s2 * speed * speed;
        assert!((torque - 6_000.0 / speed).abs() < 1e-9, "{torque}");
    }
}
