//! `new-stand`: a stand file from answers to questions, at a terminal or from a pipe.

use anyhow::{anyhow, bail};
use std::io::{BufRead, IsTerminal, Write};
use std::path::PathBuf;

use leverarm_config::units::{self, Kind};

use super::{Failure, say, stand};

#[derive(Debug, clap::Args)]
pub(super) struct Arguments {
    /// The file to write; one that is there is never overwritten
    #[arg(default_value = "stand.toml")]
    file: PathBuf,
}

/// Asks on stdout, reads lines from stdin. An empty line takes the usual answer, where there is one.
struct Questions<R> {
    answers: R,
    /// A person can be asked again; a pipe would answer the next question.
    somebody: bool,
}

impl<R: BufRead> Questions<R> {
    /// An answer that `read` takes.
    fn ask<T>(
        &mut self,
        question: &str,
        why: &str,
        usual: Option<&str>,
        read: impl Fn(&str) -> Result<T, String>,
    ) -> Result<T, Failure> {
        let shown = usual.map_or_else(String::new, |usual| match usual {
            "" => " [none]".to_owned(),
            usual => format!(" [{usual}]"),
        });
        say(&format!("\n{why}"));
        loop {
            let mut out = std::io::stdout();
            write!(out, "{question}{shown}: ").and_then(|()| out.flush())?;
            let mut line = String::new();
            if self.answers.read_line(&mut line)? == 0 {
                bail!("the answers end before \"{question}\"; nothing was written");
            }
            if !self.somebody {
                say(line.trim());
            }
            let answer = match (line.trim(), usual) {
                ("", Some(usual)) => usual,
                (answer, _) => answer,
            };
            match read(answer) {
                Ok(value) => return Ok(value),
                Err(error) if self.somebody => say(&format!("  {error}")),
                Err(error) => {
                    bail!("{question}: {error}; nothing was written");
                }
            }
        }
    }

    fn text(&mut self, question: &str, why: &str, usual: &str) -> Result<String, Failure> {
        self.ask(question, why, Some(usual), |answer| {
            let bad = |c: char| c == '"' || c == '\\' || c.is_control();
            if answer.is_empty() || answer.contains(bad) {
                return Err("expected a text without quotation marks".to_owned());
            }
            Ok(answer.to_owned())
        })
    }

    fn choice(&mut self, question: &str, why: &str, choices: &[&str]) -> Result<String, Failure> {
        let listed = choices.join(", ");
        let question = format!("{question} ({listed})");
        self.ask(&question, why, choices.first().copied(), |answer| {
            let found = choices
                .iter()
                .find(|choice| choice.eq_ignore_ascii_case(answer));
            let found =
                found.ok_or_else(|| format!("expected one of {listed}, found \"{answer}\""));
            found.map(|choice| (*choice).to_owned())
        })
    }

    fn yes(&mut self, question: &str, why: &str) -> Result<bool, Failure> {
        let answer = self.choice(question, why, &["no", "yes"])?;
        Ok(answer == "yes")
    }

    /// A quantity, as it was written; empty where `usual` is and nothing was answered.
    fn quantity(
        &mut self,
        question: &str,
        why: &str,
        usual: Option<&str>,
        kind: &Kind,
    ) -> Result<String, Failure> {
        self.ask(question, why, usual, |answer| match (answer, usual) {
            ("", Some("")) => Ok(String::new()),
            (answer, _) => match units::measured(answer, kind) {
                Ok(_) => Ok(answer.to_owned()),
                Err(error) => Err(format!("{error}; expected {kind}")),
            },
        })
    }

    fn whole(
        &mut self,
        question: &str,
        why: &str,
        usual: &str,
        (least, most): (u32, u32),
    ) -> Result<u32, Failure> {
        self.ask(question, why, Some(usual), |answer| {
            let number = answer.parse().ok().filter(|n| (least..=most).contains(n));
            number.ok_or_else(|| {
                format!("expected a whole number from {least} to {most}, found \"{answer}\"")
            })
        })
    }
}

pub(super) fn run(arguments: &Arguments) -> Result<(), Failure> {
    let file = &arguments.file;
    let is_there = || {
        anyhow!(
            "{} is there already, and is not overwritten; name another file",
            file.display()
        )
    };
    if file.exists() {
        return Err(is_there());
    }
    say(
        "Questions about the stand. Enter takes what stands in brackets. Quantities have units, and \
         may say how well they are known: \"420 +/- 0.5 mm\". All of it can be changed in the file \
         later; every key is explained in config/README.md.",
    );
    let stdin = std::io::stdin();
    let mut questions = Questions {
        somebody: stdin.is_terminal(),
        answers: stdin.lock(),
    };
    let text = written(&mut questions)?;
    let stand = leverarm_config::parse(&file.display().to_string(), &text)?;
    let written =
        std::fs::File::create_new(file).and_then(|mut made| made.write_all(text.as_bytes()));
    written.map_err(|error| match error.kind() {
        std::io::ErrorKind::AlreadyExists => is_there(),
        _ => Failure::from(error).context(file.display().to_string()),
    })?;
    let cautions = stand.summary().cautions;
    say(&format!("\nwritten: {}", file.display()));
    for caution in &cautions {
        say(&format!("to look at: {}: {}", caution.key, caution.text));
    }
    let rehearse = questions.yes(
        "rehearse it now",
        "A rehearsal runs the stand file against a simulated stand: a page, one pull, nothing real.",
    )?;
    drop(questions);
    if rehearse {
        stand::rehearse_once(file)?;
    }
    say(&format!(
        "next: leverarm check {0}\n      leverarm rehearse -c {0}",
        file.display()
    ));
    Ok(())
}

/// The stand file of the answers.
fn written<R: BufRead>(ask: &mut Questions<R>) -> Result<String, Failure> {
    let mut file = String::from(
        "# A stand file, begun by `leverarm new-stand`. Every key is explained in config/README.md;\n\
         # `leverarm check` says what the file amounts to, and what looks wrong.\n\
         #\n\
         # Software cutoffs are never the emergency stop: one that is hard-wired comes first.\n",
    );
    let kind = ask.choice(
        "kind of stand",
        "A drum that the engine speeds up (inertia), a brake that holds it back, or both.",
        &["inertia", "brake", "both"],
    )?;
    let name = ask.text(
        "name of the stand",
        "Stands in pages, sheets and exports.",
        "my stand",
    )?;
    put(
        &mut file,
        format_args!("\n[stand]\nname = \"{name}\"\nkind = \"{kind}\"\n"),
    );
    engine(ask, &mut file)?;
    let port = ask.text(
        "port of the board",
        "The serial port; `ls /dev/serial/by-id` shows what is plugged in.",
        "/dev/ttyUSB0",
    )?;
    put(&mut file, format_args!("\n[port]\npath = \"{port}\"\n"));
    let teeth = ask.whole(
        "teeth on the drum's wheel",
        "Marks that pass the drum's pickup in one turn (on a brake: of its shaft).",
        "8",
        (1, 400),
    )?;
    put(
        &mut file,
        format_args!("\n[[pickup]]\nchannel = 0\non = \"drum\"\nteeth = {teeth}\n"),
    );
    if ask.yes(
        "pickup on the engine",
        "A second pickup that counts the ignition shows a slipping clutch, belt or tyre.",
    )? {
        put(
            &mut file,
            format_args!("\n[[pickup]]\nchannel = 1\non = \"engine\"\nteeth = 1\n"),
        );
    }
    let ratio = ask.ask(
        "turns of the engine for one of the drum",
        "The ratio in the gear of the pulls: a number, or the sprockets as driven/driving, engine \
         first, such as 67/18 24/19 22/15.",
        None,
        ratio,
    )?;
    put(&mut file, format_args!("\n[drive]\n{ratio}\n"));
    drum(ask, &mut file, &kind)?;
    file.push_str(
        "\n# What bearings, chain and air take: `leverarm calibrate losses` finds it from a coast-down.\n\
         [losses]\nconstant = \"0 N*m\"\n",
    );
    if kind != "inertia" {
        load_cell(ask, &mut file)?;
    }
    let sensors = sensors(ask, &mut file)?;
    guards(ask, &mut file, &sensors)?;
    air(ask, &mut file)?;
    let units = ask.choice(
        "units",
        "Newton metres and kilowatts (si), or pound-feet and horsepower (us).",
        &["si", "us"],
    )?;
    put(
        &mut file,
        format_args!("\n[display]\nunits = \"{units}\"\n"),
    );
    Ok(file)
}

fn put(file: &mut String, text: std::fmt::Arguments<'_>) {
    file.push_str(&text.to_string());
}

/// `"ratio = 6.9"`, or the stages of sprockets.
fn ratio(answer: &str) -> Result<String, String> {
    let expected = || {
        format!(
            "expected a number such as 6.9, or sprockets such as 67/18 24/19, found \"{answer}\""
        )
    };
    if answer.contains('/') {
        let stages: Vec<String> = answer
            .split_whitespace()
            .map(|it| format!("\"{it}\""))
            .collect();
        let is_stage = |stage: &str| {
            let teeth = |text: &str| text.parse::<u32>().is_ok_and(|teeth| teeth > 0);
            stage
                .split_once('/')
                .is_some_and(|(driven, driving)| teeth(driven) && teeth(driving))
        };
        if !answer.split_whitespace().all(is_stage) {
            return Err(expected());
        }
        return Ok(format!("stages = [{}]", stages.join(", ")));
    }
    let number = answer
        .parse::<f64>()
        .ok()
        .filter(|ratio| *ratio > 0.0 && ratio.is_finite());
    number
        .map(|ratio| format!("ratio = {ratio:?}"))
        .ok_or_else(expected)
}

fn engine<R: BufRead>(ask: &mut Questions<R>, file: &mut String) -> Result<(), Failure> {
    let name = ask.text("name of the engine", "Whatever you call it.", "engine")?;
    let displacement = ask.quantity(
        "displacement",
        "For filling and mean pressure, and for how strong the simulated engine is.",
        None,
        &units::VOLUME,
    )?;
    let strokes = ask.choice(
        "strokes",
        "Working principle of the engine.",
        &["four", "two"],
    )?;
    let inertia = ask.quantity(
        "inertia of what turns with the crank",
        "Crank, clutch, primary drive, about the crank. Without it curves show what reaches the drum.",
        Some(""),
        &units::INERTIA,
    )?;
    put(
        file,
        format_args!(
            "\n[engine]\nname = \"{name}\"\ndisplacement = \"{displacement}\"\nstrokes = \"{strokes}\"\n"
        ),
    );
    if inertia.is_empty() {
        file.push_str("# inertia = \"0.006 +/- 0.0004 kg*m^2\"   # not known yet\n");
    } else {
        put(file, format_args!("inertia = \"{inertia}\"\n"));
    }
    Ok(())
}

fn drum<R: BufRead>(ask: &mut Questions<R>, file: &mut String, kind: &str) -> Result<(), Failure> {
    let known = ask.choice(
        "what is known of the drum",
        "Its inertia follows from its dimensions in steel, from its weight and diameters, or is \
         measured. (On a brake: of all that turns with its shaft.)",
        &["dimensions", "weight", "inertia"],
    )?;
    let length = |ask: &mut Questions<R>, question: &str, why: &str| {
        ask.quantity(question, why, None, &units::LENGTH)
    };
    let outer = length(
        ask,
        "outer diameter",
        "Of the drum's shell, or of a solid drum.",
    )?;
    if known == "inertia" {
        let inertia = ask.quantity(
            "inertia of the drum",
            "From a pendulum or a falling weight: `leverarm calibrate inertia` guides through both.",
            None,
            &units::INERTIA,
        )?;
        put(
            file,
            format_args!("\n[drum]\ninertia = \"{inertia}\"\nouter_diameter = \"{outer}\"\n"),
        );
        return Ok(());
    }
    let inner = ask.quantity(
        "inner diameter",
        "Of the shell; none for a solid drum.",
        Some(""),
        &units::LENGTH,
    )?;
    let length = length(ask, "length", "Along the axis.")?;
    let matter = if known == "weight" {
        let mass = ask.quantity(
            "weight of the drum",
            "On scales, without shaft and plates.",
            None,
            &units::MASS,
        )?;
        format!("mass = \"{mass}\"")
    } else {
        "density = \"7850 +/- 20 kg/m^3\"        # plain steel".to_owned()
    };
    let shape = if inner.is_empty() {
        format!("shape = \"cylinder\"\ndiameter = \"{outer}\"")
    } else {
        format!("shape = \"tube\"\nouter_diameter = \"{outer}\"\ninner_diameter = \"{inner}\"")
    };
    let what = if kind == "brake" { "rotor" } else { "drum" };
    put(
        file,
        format_args!(
            "\n# Piece by piece: end plates, shaft, sprocket and hub are further [[drum.piece]]s.\n\
             [drum]\n\n[[drum.piece]]\nname = \"{what}\"\n{shape}\nlength = \"{length}\"\n{matter}\n"
        ),
    );
    Ok(())
}

fn load_cell<R: BufRead>(ask: &mut Questions<R>, file: &mut String) -> Result<(), Failure> {
    let arm = ask.quantity(
        "arm of the load cell",
        "From the axis of the brake to the line in which the cell is pulled, at a right angle.",
        None,
        &units::LENGTH,
    )?;
    put(
        file,
        format_args!(
            "\n# The scale and the zero are guesses until weights were hung on the arm:\n\
             # `leverarm calibrate load-cell`, and `leverarm tare` before each session.\n\
             [load_cell]\nchannel = 0\non = \"drum\"\nper_count = \"2e-5 N/count\"\nzero_counts = 0\n\
             arm = \"{arm}\"\n"
        ),
    );
    Ok(())
}

/// A sensor with a limit that cuts: its name and the limit.
type Limited = (&'static str, String);

fn sensors<R: BufRead>(ask: &mut Questions<R>, file: &mut String) -> Result<Vec<Limited>, Failure> {
    let mut limited = Vec::new();
    if ask.yes(
        "thermocouple on the cylinder head",
        "Type K; warns of an engine that gets too hot, and cuts.",
    )? {
        file.push_str(
            "\n[[channel]]\nname = \"cold junction\"\nsource = \"temperature 0\"\nlaw = \"linear\"\n\
             per_count = \"0.0625 degC/count\"\nat_zero = \"0 degC\"\nexpected = [\"-20 degC\", \"60 degC\"]\n\
             \n[[channel]]\nname = \"cylinder head\"\nsource = \"temperature 1\"\nlaw = \"thermocouple k\"\n\
             per_count = \"7.8125 uV/count\"\ncold_junction = \"cold junction\"\n\
             expected = [\"-20 degC\", \"400 degC\"]\n",
        );
        let limit = ask.quantity(
            "cylinder head cuts at",
            "Air-cooled engines run up to some 200 degC (common practice); the maker's figure counts.",
            Some("230 degC"),
            &units::TEMPERATURE,
        )?;
        limited.push(("cylinder head", limit));
    }
    if ask.yes(
        "coolant sensor",
        "A Pt100 in the coolant of an engine or a brake; cuts.",
    )? {
        file.push_str(
            "\n[[channel]]\nname = \"coolant\"\nsource = \"temperature 2\"\nlaw = \"pt100\"\n\
             per_count = \"0.0125 ohm/count\"\nexpected = [\"-20 degC\", \"150 degC\"]\n",
        );
        let limit = ask.quantity(
            "coolant cuts at",
            "Below boiling at its pressure.",
            Some("105 degC"),
            &units::TEMPERATURE,
        )?;
        limited.push(("coolant", limit));
    }
    if ask.yes(
        "lambda sensor",
        "A wideband controller's output, 0.6 to 1.4 over the converter.",
    )? {
        file.push_str(
            "\n[[channel]]\nname = \"lambda\"\nsource = \"analog 1\"\nlaw = \"linear\"\n\
             per_count = \"0.0002 1/count\"\nat_zero = 0.6\nexpected = [0.6, 1.4]\nmeasures = \"lambda\"\n",
        );
    }
    Ok(limited)
}

fn guards<R: BufRead>(
    ask: &mut Questions<R>,
    file: &mut String,
    limited: &[Limited],
) -> Result<(), Failure> {
    let drum = ask.quantity(
        "drum speed that cuts",
        "The last of several barriers: what a licensed engineer says that drum, shaft and frame bear.",
        None,
        &units::ROTATION,
    )?;
    let engine = ask.quantity(
        "engine speed that cuts",
        "A little above where a pull ends; a pull is taken to end at 95 % of the first limit.",
        None,
        &units::ROTATION,
    )?;
    put(
        file,
        format_args!(
            "\n[[guard]]\nname = \"drum overspeed\"\nkind = \"overspeed\"\non = \"drum speed\"\n\
             limit = \"{drum}\"\naction = \"cut\"\n\
             \n[[guard]]\nname = \"engine overspeed\"\nkind = \"overspeed\"\non = \"engine speed\"\n\
             limit = \"{engine}\"\naction = \"cut\"\n"
        ),
    );
    for (channel, limit) in limited {
        put(
            file,
            format_args!(
                "\n[[guard]]\nname = \"{channel} too hot\"\nkind = \"over-temperature\"\n\
                 on = \"{channel}\"\nlimit = \"{limit}\"\naction = \"cut\"\ndebounce = \"500 ms\"\n"
            ),
        );
    }
    file.push_str(
        "\n# A guard that sees nothing guards nothing.\n[[guard]]\nkind = \"sensor lost\"\n\
         on = \"drum speed\"\naction = \"cut\"\ndebounce = \"200 ms\"\n\
         \n[[guard]]\nkind = \"stale data\"\non = \"board\"\nlimit = \"500 ms\"\naction = \"cut\"\n",
    );
    Ok(())
}

fn air<R: BufRead>(ask: &mut Questions<R>, file: &mut String) -> Result<(), Failure> {
    let pressure = ask.quantity(
        "air pressure at the stand",
        "Absolute, off a barometer; weather reports give it reduced to sea level. `leverarm air` \
         enters that of each day.",
        Some("1013 hPa"),
        &units::PRESSURE,
    )?;
    let temperature = ask.quantity(
        "air temperature",
        "Where the engine breathes.",
        Some("20 degC"),
        &units::TEMPERATURE,
    )?;
    put(
        file,
        format_args!(
            "\n[air]\npressure = \"{pressure}\"\ntemperature = \"{temperature}\"\nhumidity = \"50 %\"\n\
             correction = \"iso1585\"\n"
        ),
    );
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn answered(typed: &str) -> Result<String, Failure> {
        written(&mut Questions {
            answers: typed.as_bytes(),
            somebody: false,
        })
    }

    /// One on each line.
    const DRUM: &str = "\nshed drum\npit bike\n140 cc\n\n0.006 kg*m^2\n\n12\nyes\n67/18 24/19 22/15\n\n\
        420 mm\n380 mm\n360 mm\nyes\n\nno\nno\n1420 rpm\n9700 rpm\n\n\n\n";

    #[test]
    fn answers_become_a_stand_file_that_reads() {
        let text = answered(DRUM).unwrap();
        let stand = leverarm_config::parse("new.toml", &text).unwrap();
        assert_eq!(stand.pickups.len(), 2);
        assert_eq!(stand.pickups[0].teeth, 12);
        assert!((stand.drive.engine_per_drum.value - 6.896).abs() < 1e-3);
        // A steel tube: m (R² + r²) / 2.
        let mass = 7850.0 * std::f64::consts::PI * (0.21_f64.powi(2) - 0.19_f64.powi(2)) * 0.36;
        let expected = 0.5 * mass * (0.21_f64.powi(2) + 0.19_f64.powi(2));
        let inertia = stand.drum.unwrap().inertia_kg_m2.value;
        assert!(
            (inertia / expected - 1.0).abs() < 1e-9,
            "{inertia}, {expected}"
        );
    }

    #[test]
    fn a_brake_by_weight_and_in_pounds_reads_too() {
        let text = answered(
            "brake\n\n\n125 cc\ntwo\n\n\n60\nno\n2.25\nweight\n10 in\n\n2 in\n20 lb\n12 in\n\
             no\nyes\n100 degC\nyes\n4400 rpm\n9000 rpm\n29.8 inHg\n68 degF\nus\n",
        )
        .unwrap();
        let stand = leverarm_config::parse("new.toml", &text).unwrap();
        assert!(stand.load_cell.is_some());
        assert_eq!(stand.channels.len(), 2);
    }

    #[test]
    fn answers_that_lack_or_do_not_read_are_named() {
        let (begun, _) = DRUM.split_once("0.006").unwrap();
        let error = answered(begun).unwrap_err().to_string();
        assert!(
            error.contains("end before \"inertia of what turns"),
            "{error}"
        );
        let wrong = DRUM.replace("420 mm", "420");
        let error = answered(&wrong).unwrap_err().to_string();
        assert!(
            error.contains("outer diameter") && error.contains("unit is missing"),
            "{error}"
        );
        let wrong = DRUM.replace("67/18 24/19 22/15", "a/b");
        let error = answered(&wrong).unwrap_err().to_string();
        assert!(error.contains("67/18") && error.contains("a/b"), "{error}");
    }
}
