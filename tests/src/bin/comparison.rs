//! How often a comparison is right, by simulation:
//! `cargo run --release -p leverarm-tests --bin comparison -- --tests 1000`.
//!
//! The last line says how many per cent of A-versus-A tests call a difference, how many find a true
//! gain of 1 % over 1,500 rpm, and in how many the simultaneous band holds the true difference at every
//! speed.

use std::io::Write;
use std::process::ExitCode;

use clap::Parser;
use indicatif::{ProgressBar, ProgressStyle};
use leverarm_tests::simulated_test::{Gain, ScatterModel, SimulatedTest, Tally, repeat};
use leverarm_torque::comparison::ComparisonError;

/// Simulates back-to-back tests and counts how often their comparison is right.
#[derive(Debug, Parser)]
struct Arguments {
    /// Tests of each kind
    #[arg(long, default_value_t = 1000)]
    tests: u32,
    /// Pulls with each setup
    #[arg(long, default_value_t = 5, value_parser = clap::value_parser!(u8).range(2..=100))]
    pulls: u8,
    /// Repeatability (standard deviation of a pull), % of torque
    #[arg(long, default_value_t = 0.4)]
    repeatability: f64,
    /// Seed of the simulation
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Fail when the shares are further from what they ought to be than chance explains
    #[arg(long)]
    check: bool,
    /// Also other plans and other kinds of scatter
    #[arg(long)]
    thorough: bool,
}

struct Report {
    arguments: Arguments,
    bar: ProgressBar,
}

impl Report {
    fn line(&self, text: &str) {
        self.bar
            .suspend(|| drop(writeln!(std::io::stdout(), "{text}")));
    }

    fn tally(&self, name: &str, test: &SimulatedTest) -> Result<Tally, ComparisonError> {
        self.bar.set_message(name.to_owned());
        let arguments = &self.arguments;
        let tally = repeat(test, arguments.tests, arguments.seed, || self.bar.inc(1))?;
        let found = if test.gain.is_some() {
            format!(", gain found {:5.1} %", tally.percent(tally.found))
        } else {
            format!(", difference called {:4.1} %", tally.percent(tally.called))
        };
        self.line(&format!(
            "{name:<52} band holds the truth {:5.1} %{found}",
            tally.percent(tally.covered)
        ));
        Ok(tally)
    }
}

fn run(arguments: Arguments) -> Result<bool, ComparisonError> {
    let (plans, scatters) = others();
    let kinds = 2 + if arguments.thorough {
        plans.len() + scatters.len()
    } else {
        0
    };
    // Drawn on stderr, and only where that is a terminal.
    let bar = ProgressBar::new(u64::from(arguments.tests) * kinds as u64);
    if let Ok(style) =
        ProgressStyle::with_template("{bar:30} {pos} of {len} tests, {eta} left  {msg}")
    {
        bar.set_style(style);
    }
    let repeatability = arguments.repeatability / 100.0;
    let pulls = usize::from(arguments.pulls);
    let report = Report { arguments, bar };
    let scatter = ScatterModel::MOSTLY_FACTOR.with_repeatability(repeatability);
    report.line(&format!(
        "{pulls} pulls with each setup, repeatability {:.2} %: factor {:.3} %, slope {:.3} % at the ends, smooth rest {:.3} % over {:.0} rpm",
        100.0 * repeatability,
        100.0 * scatter.factor,
        100.0 * scatter.slope,
        100.0 * scatter.smooth,
        scatter.length_rpm
    ));
    let back_to_back = |gain| SimulatedTest::back_to_back(pulls, gain, scatter);
    let alike = report.tally("A against A", &back_to_back(None))?;
    let gain = report.tally(
        "1 % more over 1,500 rpm",
        &back_to_back(Some(Gain::ONE_PERCENT)),
    )?;
    if report.arguments.thorough {
        for (name, order, drift) in plans {
            let test = SimulatedTest {
                order,
                drift,
                ..back_to_back(Some(Gain::ONE_PERCENT))
            };
            report.tally(name, &test)?;
        }
        for (name, scatter, gain) in scatters {
            let test = SimulatedTest {
                scatter: scatter.with_repeatability(repeatability),
                ..back_to_back(gain)
            };
            report.tally(name, &test)?;
        }
    }
    report.bar.finish_and_clear();
    let both = alike.with(gain);
    report.line(&format!(
        "false_difference_pct={:.2} found_pct={:.2} familywise_pct={:.2}",
        alike.percent(alike.called),
        gain.percent(gain.found),
        both.percent(both.covered)
    ));
    let is_right = Limits::of(report.arguments.tests).hold(
        alike.percent(alike.called),
        gain.percent(gain.found),
        both.percent(both.covered),
    );
    Ok(is_right || !report.arguments.check)
}

/// Bounds of the shares, %.
struct Limits {
    false_difference_max: f64,
    found_min: f64,
    familywise: (f64, f64),
}

impl Limits {
    /// What the shares ought to be, with three and a half standard deviations of as many tests: a
    /// true share at the bound fails once in some thousand runs.
    fn of(tests: u32) -> Self {
        let chance = |percent: f64, tests: f64| 3.5 * (percent * (100.0 - percent) / tests).sqrt();
        let tests = f64::from(tests);
        let familywise = chance(95.0, 2.0 * tests);
        Self {
            false_difference_max: 5.0 + chance(5.0, tests),
            found_min: 90.0 - chance(90.0, tests),
            familywise: (95.0 - 1.0 - familywise, 95.0 + 1.0 + familywise),
        }
    }

    fn hold(&self, false_difference: f64, found: f64, familywise: f64) -> bool {
        let (low, high) = self.familywise;
        false_difference <= self.false_difference_max
            && found >= self.found_min
            && (low..=high).contains(&familywise)
    }
}

type Plans = Vec<(&'static str, Vec<usize>, f64)>;
type Scatters = Vec<(&'static str, ScatterModel, Option<Gain>)>;

fn others() -> (Plans, Scatters) {
    let plan = |blocks: &[(usize, usize)]| -> Vec<usize> {
        blocks
            .iter()
            .flat_map(|(setup, pulls)| std::iter::repeat_n(*setup, *pulls))
            .collect()
    };
    let plans = vec![
        ("plan A2 B2", plan(&[(0, 2), (1, 2)]), 0.0),
        ("plan A3 B3", plan(&[(0, 3), (1, 3)]), 0.0),
        (
            "plan A3 B3 A3, drift 0.1 % a pull",
            plan(&[(0, 3), (1, 3), (0, 3)]),
            0.001,
        ),
        (
            "plan A5 B5 A5, drift 0.1 % a pull",
            plan(&[(0, 5), (1, 5), (0, 5)]),
            0.001,
        ),
        (
            "plan A3 B3 C3 A3, drift 0.1 % a pull",
            plan(&[(0, 3), (1, 3), (2, 3), (0, 3)]),
            0.001,
        ),
        ("plan A20 B20", plan(&[(0, 20), (1, 20)]), 0.0),
    ];
    let scatters = vec![
        (
            "scatter nearly all one factor",
            ScatterModel::NEARLY_ALL_FACTOR,
            Some(Gain::ONE_PERCENT),
        ),
        ("scatter at the top only", ScatterModel::TOP_ONLY, None),
        ("scatter mostly smooth", ScatterModel::MOSTLY_SMOOTH, None),
        (
            "scatter rough, more at the ends",
            ScatterModel::ROUGH_ENDS,
            None,
        ),
    ];
    (plans, scatters)
}

fn main() -> ExitCode {
    match run(Arguments::parse()) {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => {
            drop(writeln!(
                std::io::stderr(),
                "the shares are not what they ought to be"
            ));
            ExitCode::FAILURE
        }
        Err(error) => {
            drop(writeln!(std::io::stderr(), "error: {error}"));
            ExitCode::FAILURE
        }
    }
}
