//! `stream`.

use anyhow::{Context, anyhow, bail};
use std::io::Write;
use std::time::Duration;

use indicatif::{ProgressBar, ProgressStyle};
use jiff::tz::TimeZone;
use leverarm_config::{Stand, StreamDestination};

use super::terminal::Table;
use super::{Failure, StandFile, StoreArgument, complain, parse_stand, say, times};
use crate::clock::Clock;
use crate::stream::{Feed, Progress, Range, Sender, Sent, pull_points, send_all};
use leverarm_analysis::local_time::local_text;
use leverarm_store::{ChunkId, PullId, PullState, StoreReader};
use leverarm_vocabulary::RefusedPoint;

/// Refused points that are shown one by one.
const REFUSED_SHOWN_MAX: usize = 10;

#[derive(Debug, clap::Args)]
pub(super) struct Arguments {
    #[command(flatten)]
    store: StoreArgument,
    /// Send what was stored since then: a date, or a time ago such as "3 days"
    #[arg(long, value_name = "TIME")]
    since: Option<String>,
    /// Send only what was stored before then
    #[arg(long, value_name = "TIME", requires = "since")]
    until: Option<String>,
    /// Send this pull only
    #[arg(long, value_name = "PULL", conflicts_with = "since")]
    pull: Option<i64>,
    /// Send to the destination of this name only
    #[arg(long, value_name = "NAME")]
    to: Option<String>,
    /// Print the points as lines instead of sending them
    #[arg(long)]
    print: bool,
}

/// Rehearsed values never pass for real ones, on a server neither.
pub(super) fn mark_rehearsal(stand: &mut Stand) {
    for stream in &mut stand.streams {
        stream.stand.push_str(" (rehearsal)");
    }
}

pub(super) fn run(arguments: &Arguments) -> Result<(), Failure> {
    let mut read = parse_stand(&arguments.store.stand.file)?;
    let reader = arguments.store.open()?;
    let name = reader.folder().file_name().unwrap_or_default();
    if name.to_string_lossy().ends_with("-rehearsal") {
        mark_rehearsal(&mut read.stand);
    }
    let chosen: Vec<&StreamDestination> = read
        .stand
        .streams
        .iter()
        .filter(|stream| arguments.to.as_ref().is_none_or(|to| *to == stream.name))
        .collect();
    if chosen.is_empty() {
        return Err(match &arguments.to {
            Some(to) => anyhow!("the stand file has no [[stream]] named {to:?}"),
            None => {
                anyhow!("the stand file has no [[stream]]: no time-series server to send values to")
            }
        });
    }
    let now = Clock::start().now().wall_us;
    let zone = TimeZone::system();
    let time = |text: &str| times::wall_us(text, now, &zone).map_err(Failure::msg);
    if let Some(pull) = arguments.pull {
        return one_pull(arguments, &reader, &chosen, PullId::new(pull));
    }
    let Some(since) = &arguments.since else {
        return status(&reader, &chosen);
    };
    let since = time(since)?;
    let until = arguments.until.as_deref().map(time).transpose()?;
    for destination in chosen {
        let range = Range::between(&reader, since, until.unwrap_or(i64::MAX))?;
        let fresh = StoreReader::open(reader.folder())?;
        back_fill(arguments, fresh, &read, destination, range)?;
    }
    Ok(())
}

fn status(reader: &StoreReader, chosen: &[&StreamDestination]) -> Result<(), Failure> {
    let newest = reader.newest()?;
    let mut table = Table::new([
        "destination",
        "server",
        "has everything up to",
        "waiting chunks",
        "events",
        "pulls",
    ]);
    for destination in chosen {
        let name = &destination.name;
        let Some(cursor) = reader.cursor(name)? else {
            let url = destination.url.clone();
            let never = "not begun: it begins when the daemon starts".to_owned();
            let empty = String::new;
            table.add_row([name.clone(), url, never, empty(), empty(), empty()]);
            continue;
        };
        let last = ChunkId::new(cursor.chunk.get().saturating_sub(1));
        let up_to = reader.next_chunk_wall_us(last)?;
        table.add_row([
            name.clone(),
            destination.url.clone(),
            up_to.map_or_else(String::new, |(_, wall_us)| local_text(wall_us)),
            (newest.chunk.get() - cursor.chunk.get()).to_string(),
            (newest.event.get() - cursor.event.get()).to_string(),
            (newest.pull.get() - cursor.pull.get()).to_string(),
        ]);
    }
    say(&table.to_string());
    Ok(())
}

fn runtime() -> Result<tokio::runtime::Runtime, Failure> {
    tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .context("no runtime")
}

fn print(lines: &[String]) -> Result<(), Failure> {
    if lines.is_empty() {
        return Ok(());
    }
    writeln!(std::io::stdout().lock(), "{}", lines.join("\n")).map_err(Failure::from)
}

/// Tells of refused points; an error when there are any.
fn judge(name: &str, sent: usize, refused: &[RefusedPoint]) -> Result<(), Failure> {
    for refused in refused.iter().take(REFUSED_SHOWN_MAX) {
        complain(&format!("refused: {}\n  {}", refused.reason, refused.line));
    }
    say(&format!("{name}: {} points sent", sent - refused.len()));
    if refused.is_empty() {
        Ok(())
    } else {
        Err(anyhow!("{name} refuses {} points", refused.len()))
    }
}

fn say_away(destination: &StreamDestination, reason: &str) {
    complain(&format!("{}: {reason}; trying again", destination.name));
}

fn one_pull(
    arguments: &Arguments,
    reader: &StoreReader,
    chosen: &[&StreamDestination],
    id: PullId,
) -> Result<(), Failure> {
    let pull = reader.pull(id)?;
    if pull.state == PullState::Running {
        bail!("pull {id} is still under way");
    }
    for destination in chosen {
        let lines = pull_points(reader, destination, &pull)?;
        if arguments.print {
            print(&lines)?;
            continue;
        }
        let mut sender = Sender::new((*destination).clone(), Clock::start());
        let tell = |progress: Progress<'_>| {
            if let Progress::Away(reason) = progress {
                say_away(destination, reason);
            }
        };
        let refused = runtime()?.block_on(sender.send(&lines, tell));
        judge(&destination.name, lines.len(), &refused)?;
    }
    Ok(())
}

fn back_fill(
    arguments: &Arguments,
    reader: StoreReader,
    read: &StandFile,
    destination: &StreamDestination,
    range: Range,
) -> Result<(), Failure> {
    let from = range.after.chunk.get();
    let to = range.up_to.map_or(from, |newest| newest.chunk.get());
    let mut feed = Feed::new(reader, destination.clone(), read.stand.clone(), range);
    if arguments.print {
        while let Some(batch) = feed.next_batch()? {
            print(&batch.lines)?;
        }
        return Ok(());
    }
    let bar = ProgressBar::new(u64::try_from(to - from).unwrap_or(0));
    let template = "{prefix}  {bar:30} {percent:>3} %  {msg}  {elapsed}";
    if let Ok(style) = ProgressStyle::with_template(template) {
        bar.set_style(style);
    }
    bar.set_prefix(destination.name.clone());
    bar.enable_steady_tick(Duration::from_millis(250));
    let mut sender = Sender::new(destination.clone(), Clock::start());
    let mut sent = 0;
    let tell = |progress: Sent<'_>| match progress {
        Sent::Batch(batch) => {
            sent += batch.lines.len();
            bar.set_message(format!("{sent} points"));
            bar.set_position(u64::try_from(batch.cursor.chunk.get() - from).unwrap_or(0));
        }
        // Without a terminal nobody sees the bar.
        Sent::Away(reason) if bar.is_hidden() => say_away(destination, reason),
        Sent::Away(reason) => bar.set_message(format!("waiting: {reason}")),
    };
    let refused = runtime()?.block_on(send_all(feed, &mut sender, tell))?;
    bar.finish_and_clear();
    judge(&destination.name, sent, &refused)
}
