//! `frames`: pictures for a video, in which the curve grows in step with the recorded pull.

use anyhow::{Context, anyhow, bail};
use std::path::{Path, PathBuf};

use leverarm_analysis::reduction::reduce_pull;
use leverarm_plot::{self as plot, Growth, Theme};
use leverarm_store::PullId;

use super::curve_output::{self, Named};
use super::pulls::PLOT_PX;
use super::terminal;
use super::{CurvesArguments, Failure, say};

/// Frames at most: half an hour at 30 a second.
const FRAMES_MAX: usize = 54_000;
const NAME: &str = "frame-";

/// Which pulls, and how the frames are to be.
#[derive(Debug, Clone, clap::Args)]
pub(super) struct FramesArguments {
    /// Numbers of the pulls; several grow side by side, each from its first tooth
    #[arg(required = true, num_args = 1..=6)]
    pulls: Vec<i64>,
    /// Folder for the frames, frame-00001.png and so on; new, or without frames
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    /// Frames a second
    #[arg(long, default_value_t = 30.0)]
    rate: f64,
    /// Nothing behind the curves, to be laid over the film
    #[arg(long)]
    transparent: bool,
    /// Width and height of a frame
    #[arg(long, value_name = "WIDTHxHEIGHT", value_parser = size, default_value = "1920x1080")]
    size: (u32, u32),
    /// Light lines on dark ground
    #[arg(long)]
    dark: bool,
    #[command(flatten)]
    curves: CurvesArguments,
}

fn size(text: &str) -> Result<(u32, u32), String> {
    let bad = || {
        let (width, height) = PLOT_PX;
        format!("expected width and height in pixels such as {width}x{height}, found \"{text}\"")
    };
    let (width, height) = text.split_once('x').ok_or_else(bad)?;
    let number = |text: &str| text.trim().parse::<u32>().ok();
    number(width).zip(number(height)).ok_or_else(bad)
}

pub(super) fn run(arguments: &FramesArguments) -> Result<(), Failure> {
    let rate = arguments.rate;
    if !(1.0..=240.0).contains(&rate) {
        bail!("--rate: expected 1 to 240 frames a second, found {rate}");
    }
    let growth = growth(arguments)?;
    let count = (0..=FRAMES_MAX)
        .take_while(|frame| *frame as f64 / rate < growth.length_s())
        .count()
        // And one that shows all of it.
        + 1;
    if count > FRAMES_MAX {
        bail!(
            "the pull lasts {:.0} s: expected at most {FRAMES_MAX} frames, so a lower --rate",
            growth.length_s()
        );
    }
    make_folder(&arguments.out)?;
    let theme = if arguments.dark {
        Theme::Dark
    } else {
        Theme::Light
    };
    let (width, height) = arguments.size;
    let bar = terminal::bar("frame {pos} of {len} drawn", count);
    // One after the other: no more than one picture is in memory.
    for frame in 0..count {
        let picture = growth.at(frame as f64 / rate);
        let draw = if arguments.transparent {
            plot::png_without_ground
        } else {
            plot::png
        };
        let bytes = draw(&picture, width, height, theme)?;
        let file = arguments.out.join(format!("{NAME}{:05}.png", frame + 1));
        std::fs::write(&file, bytes).with_context(|| file.display().to_string())?;
        bar.set_position(frame as u64 + 1);
    }
    bar.finish_and_clear();
    say(&format!(
        "written: {count} frames of {width} × {height}, {rate} a second, {:.1} s, in {}",
        count as f64 / rate,
        arguments.out.display()
    ));
    Ok(())
}

/// The curves with the times of their points.
fn growth(arguments: &FramesArguments) -> Result<Growth, Failure> {
    let (reader, choice) = arguments.curves.open()?;
    let mut reduced = Vec::new();
    for pull in &arguments.pulls {
        reduced.push(reduce_pull(&reader, PullId::new(*pull), choice)?);
    }
    let named: Vec<Named<'_>> = reduced
        .iter()
        .enumerate()
        .map(|(style, pull)| {
            let setup = pull.pull.setup_name.as_deref().unwrap_or("no setup");
            Named {
                label: format!("{setup}, pull {}", pull.pull.id),
                curve: &pull.curve,
                style,
                detailed: false,
            }
        })
        .collect();
    let units = reduced.first().map(|pull| pull.stand.units);
    let units = units.ok_or_else(|| anyhow!("no pull was named"))?;
    let units = curve_output::units(units, arguments.curves.choice.units);
    let whole = curve_output::plot("", "", &named, &units, Vec::new());
    let times = reduced.iter().map(|pull| {
        let points = pull.curve.points.iter();
        points.map(|point| point.time_s).collect()
    });
    Ok(Growth::new(&whole, times.collect()))
}

/// Frames of two pulls in one folder would make one film.
fn make_folder(folder: &Path) -> Result<(), Failure> {
    let shown = || folder.display().to_string();
    std::fs::create_dir_all(folder).with_context(shown)?;
    let entries = std::fs::read_dir(folder).with_context(shown)?;
    let mut names = entries.filter_map(|entry| entry.ok().map(|entry| entry.file_name()));
    match names.find(|name| name.to_string_lossy().starts_with(NAME)) {
        None => Ok(()),
        Some(found) => Err(anyhow!(
            "{}: expected a folder without frames, found {}",
            folder.display(),
            found.to_string_lossy()
        )),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_are_two_numbers() {
        assert_eq!(size("1280x720"), Ok((1280, 720)));
        for bad in ["1280", "x720", "a x b", "-1x5"] {
            assert!(size(bad).unwrap_err().contains(bad));
        }
    }
}
