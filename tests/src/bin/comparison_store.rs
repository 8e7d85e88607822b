//! Makes a store with many pulls whose truth is known, for tests of sheets and exports, and measures
//! how long a comparison of ten setups and its sheet take:
//! `cargo build --release && cargo run --release -p leverarm-tests --bin comparison_store -- --out DIR --setups 100 --measure`.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode, Stdio};
use std::time::{Duration, Instant};

use clap::Parser;
use leverarm::rehearsal::{DEMO_STAND, model_of, script_of};
use leverarm_store::PullState;
use leverarm_tests::simulated_store::{STAND, SimulatedSetup, fill, series, two_jets};
use leverarm_tests::virtual_bench::{BenchError, VirtualBench};
use serde_json::json;

/// Makes a store of simulated pulls, with its stand file.
#[derive(Debug, Parser)]
struct Arguments {
    /// Folder for the store and the stand file
    #[arg(long)]
    out: PathBuf,
    /// Setups
    #[arg(long, default_value_t = 2)]
    setups: usize,
    /// Pulls with each, the first setup once more at the end
    #[arg(long, default_value_t = 5)]
    pulls: usize,
    /// Seed of the simulation
    #[arg(long, default_value_t = 5)]
    seed: u64,
    /// A series of setups with parts in common instead, the first one again and again
    #[arg(long)]
    series: bool,
    /// Two pulls with their coast-downs instead, the second with a ring on the drum that adds so much, kg·m²
    #[arg(long)]
    ring: Option<f64>,
    /// Measure how long `compare` of ten setups and `sheet` take with this build
    #[arg(long)]
    measure: bool,
}

fn setups(count: usize) -> Vec<SimulatedSetup> {
    let jets = two_jets();
    let names = (0..count).map(|i| match i {
        0 => "main jet 105".to_owned(),
        1 => "main jet 110".to_owned(),
        i => format!("exhaust {}", i - 1),
    });
    names
        .zip(jets.iter().cycle())
        .enumerate()
        .map(|(i, (name, jet))| SimulatedSetup {
            parts: json!({
                "main jet": if i % 2 == 0 { "105" } else { "110" },
                "needle clip": "2",
                "exhaust": (i / 2).to_string(),
            }),
            name,
            shape: jet.shape,
            share: 1.0,
        })
        .collect()
}

/// Pulls of the demonstration's stand whose drum then runs freely for a while.
fn coast_downs(store: &Path, ring_kg_m2: f64) -> Result<(), BenchError> {
    let text = DEMO_STAND.replace("coast = \"250 ms\"", "coast = \"40 s\"");
    let stand = leverarm_config::parse("demo.toml", &text)?;
    for added in [0.0, ring_kg_m2] {
        let mut model = model_of(&stand);
        model.drum.inertia_kg_m2 += added;
        let mut bench = VirtualBench::new(store, &text, model)?;
        bench.ride(script_of(&stand, 1), 120)?;
        bench.wait(1.0)?;
        bench.finish()?;
    }
    Ok(())
}

fn run(arguments: &Arguments) -> Result<(), Box<dyn std::error::Error>> {
    if let Some(ring) = arguments.ring {
        let made = coast_downs(&arguments.out.join("pulls"), ring);
        return Ok(made.map_err(|error| format!("{error:?}"))?);
    }
    let (setups, builds) = if arguments.series {
        let (setups, order) = series();
        (setups.to_vec(), order.to_vec())
    } else {
        let builds = (0..arguments.setups).chain([0]).collect();
        (setups(arguments.setups), builds)
    };
    let mut order: Vec<(usize, PullState)> = builds
        .into_iter()
        .flat_map(|setup| std::iter::repeat_n((setup, PullState::Stored), arguments.pulls))
        .collect();
    order.push((0, PullState::Aborted));
    std::fs::create_dir_all(&arguments.out)?;
    let stand = arguments.out.join("stand.toml");
    std::fs::write(&stand, STAND)?;
    // Where that stand file says.
    let store = arguments.out.join("pulls");
    fill(&store, &setups, &order, arguments.seed).map_err(|error| format!("{error:?}"))?;
    let mut out = std::io::stdout();
    writeln!(out, "pulls={}", order.len())?;
    if !arguments.measure {
        return Ok(());
    }
    let ten: Vec<&str> = setups
        .iter()
        .take(10)
        .map(|setup| setup.name.as_str())
        .collect();
    let sheet = arguments.out.join("sheet.html");
    let asked: [(&str, Vec<&str>); 4] = [
        (
            "compare_first",
            [&["compare", "--json"], ten.as_slice()].concat(),
        ),
        ("compare", [&["compare", "--json"], ten.as_slice()].concat()),
        ("sheet_two", vec!["sheet", ten[0], ten[1]]),
        ("sheet_ten", [&["sheet"], ten.as_slice()].concat()),
    ];
    for (name, mut words) in asked {
        let file = sheet.display().to_string();
        if words[0] == "sheet" {
            words.extend(["--out", &file]);
        }
        let took = time(&store, &words)?;
        writeln!(out, "{name}_ms={}", took.as_millis())?;
    }
    Ok(())
}

/// The program beside this one, from start to end.
#[expect(clippy::disallowed_methods, reason = "this measures")]
fn time(store: &Path, words: &[&str]) -> Result<Duration, Box<dyn std::error::Error>> {
    let own = std::env::current_exe()?;
    let program = own.with_file_name("leverarm");
    let start = Instant::now();
    let status = Command::new(&program)
        .args(words)
        .arg("--store")
        .arg(store)
        .stdout(Stdio::null())
        .status()
        .map_err(|error| format!("{}: {error}; build it first", program.display()))?;
    let took = start.elapsed();
    if !status.success() {
        return Err(format!("{words:?} failed").into());
    }
    Ok(took)
}

fn main() -> ExitCode {
    match run(&Arguments::parse()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            drop(writeln!(std::io::stderr(), "error: {error}"));
            ExitCode::FAILURE
        }
    }
}
