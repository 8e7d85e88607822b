//! `journal`.

use anyhow::{Context, bail};
use std::path::PathBuf;
use std::time::Duration;

use clap::Subcommand;
use jiff::tz::TimeZone;
use serde_json::json;

use super::control::Line;
use super::terminal::Table;
use super::{
    DaemonArgument, Failure, SeverityChoice, StoreArgument, json_line, parse_stand, read_stand,
    say, times,
};
use crate::clock::Clock;
use leverarm_analysis::journal::{
    self, Entry, Evidence, EvidenceSeries, Trend, channel_names, days, evidence, faults, fold,
    health,
};
use leverarm_analysis::local_time::local_text;
use leverarm_store::{
    Acknowledgement, EventFilter, EventId, EventRecord, PullId, Store, StoreReader,
};
use leverarm_vocabulary::EventKind;

/// How often `--follow` looks.
const FOLLOW_EVERY: Duration = Duration::from_millis(200);
/// Events read at one go while following.
const PAGE: u32 = 2000;
/// Samples of a channel that a table shows around an event.
const ROWS_MAX: usize = 21;

#[derive(Debug, clap::Args)]
#[command(args_conflicts_with_subcommands = true)]
pub(super) struct Arguments {
    #[command(flatten)]
    list: ListArguments,
    #[command(subcommand)]
    action: Option<Action>,
}

#[derive(Debug, clap::Args)]
struct ListArguments {
    #[command(flatten)]
    store: StoreArgument,
    #[command(flatten)]
    filter: FilterArguments,
    /// At most so many entries, the newest
    #[arg(long, default_value_t = 200)]
    limit: usize,
    /// Every event by itself, repeats not folded
    #[arg(long)]
    unfolded: bool,
    /// Go on with events as they come, until stopped
    #[arg(long)]
    follow: bool,
    /// JSON, one object a line
    #[arg(long)]
    json: bool,
}

#[derive(Debug, clap::Args)]
struct FilterArguments {
    /// Only events since then: a date, or a time ago such as "2h"
    #[arg(long, value_name = "TIME")]
    since: Option<String>,
    /// Only events before then
    #[arg(long, value_name = "TIME")]
    until: Option<String>,
    /// Only events of this pull
    #[arg(long)]
    pull: Option<i64>,
    /// Only events of this channel, pickup or guard
    #[arg(long)]
    channel: Option<String>,
    /// Only events of this kind, such as "missed teeth"
    #[arg(long)]
    kind: Option<String>,
    /// Only events at least this severe: info, warning, error, cut
    #[arg(long, value_enum, default_value_t = SeverityChoice::Info)]
    severity: SeverityChoice,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// Show one event: what it touched, what to check first, and the samples 2 s before and after
    Show(ShowArguments),
    /// Note that an event was looked at, and what was found
    Ack(AckArguments),
    /// A summary for each day
    Days(DaysArguments),
    /// The history of each channel: which sensor is getting worse
    Health(HealthArguments),
}

#[derive(Debug, clap::Args)]
struct ShowArguments {
    /// Number of the event
    event: i64,
    #[command(flatten)]
    store: StoreArgument,
    /// All channels and all samples, not only what the event is about
    #[arg(long)]
    all: bool,
    /// Write the bytes as received to this file
    #[arg(long, value_name = "FILE")]
    bytes: Option<PathBuf>,
    /// JSON instead of text, with every sample
    #[arg(long)]
    json: bool,
}

#[derive(Debug, clap::Args)]
struct AckArguments {
    /// Number of the event
    event: i64,
    /// What was found
    note: String,
    #[command(flatten)]
    daemon: DaemonArgument,
}

#[derive(Debug, clap::Args)]
struct DaysArguments {
    #[command(flatten)]
    store: StoreArgument,
    /// Only since then
    #[arg(long, value_name = "TIME")]
    since: Option<String>,
    /// JSON, one object a line
    #[arg(long)]
    json: bool,
}

#[derive(Debug, clap::Args)]
struct HealthArguments {
    /// Only this channel, day by day
    #[arg(long)]
    channel: Option<String>,
    #[command(flatten)]
    of: DaysArguments,
}

fn time(text: Option<&str>) -> Result<Option<i64>, Failure> {
    let now = Clock::start().now().wall_us;
    text.map(|text| times::wall_us(text, now, &TimeZone::system()).map_err(Failure::msg))
        .transpose()
}

impl FilterArguments {
    fn filter(&self) -> Result<EventFilter, Failure> {
        Ok(EventFilter {
            since_wall_us: time(self.since.as_deref())?,
            until_wall_us: time(self.until.as_deref())?,
            pull: self.pull.map(PullId::new),
            channel: self.channel.clone(),
            kind: self.kind.clone(),
            severity_at_least: self.severity.severity(),
            limit: PAGE,
            ..EventFilter::default()
        })
    }
}

pub(super) fn run(arguments: &Arguments) -> Result<(), Failure> {
    match &arguments.action {
        None => list(&arguments.list),
        Some(Action::Show(asked)) => show(asked),
        Some(Action::Ack(asked)) => ack(asked),
        Some(Action::Days(asked)) => show_days(asked),
        Some(Action::Health(asked)) => show_health(asked),
    }
}

fn list(arguments: &ListArguments) -> Result<(), Failure> {
    let reader = arguments.store.open()?;
    let filter = arguments.filter.filter()?;
    // Before the list, so that nothing falls between the list and what follows it.
    let newest = reader.newest()?.event;
    let entries = journal::newest(&reader, &filter, arguments.limit, arguments.unfolded)?;
    if arguments.json {
        for entry in &entries {
            json_line(&entry.json());
        }
    } else if entries.is_empty() {
        say("nothing in the journal");
    } else {
        say(&table(&entries));
    }
    if arguments.follow {
        let seen = entries.iter().map(|entry| entry.last_id).max();
        follow(&reader, filter, seen.max(Some(newest)), arguments.json)?;
    }
    Ok(())
}

fn follow(
    reader: &StoreReader,
    mut filter: EventFilter,
    seen: Option<EventId>,
    as_json: bool,
) -> Result<(), Failure> {
    filter.after = seen;
    loop {
        for event in reader.events(&filter)? {
            filter.after = Some(event.id);
            if as_json {
                fold([event])
                    .iter()
                    .for_each(|entry| json_line(&entry.json()));
            } else {
                say(&line(&event));
            }
        }
        std::thread::sleep(FOLLOW_EVERY);
    }
}

fn line(event: &EventRecord) -> String {
    let about = event
        .channel
        .as_deref()
        .map_or_else(String::new, |about| format!("{about}: "));
    let times = match event.repeats().count {
        1 => String::new(),
        count => format!(" ({count} times)"),
    };
    format!(
        "{}  {:<7}  {:>6}  {about}{}{times}",
        local_text(event.wall_us),
        event.severity,
        event.id,
        event.message
    )
}

fn table(entries: &[Entry]) -> String {
    let mut table = Table::new(["event", "when", "severity", "what"]);
    table.align_right(0..2);
    for entry in entries {
        let event = &entry.first;
        let times = (entry.count > 1).then(|| format!("{} times", entry.count));
        let about = [
            event.channel.clone(),
            event.pull.map(|pull| format!("pull {pull}")),
            times,
        ];
        let about: Vec<String> = about.into_iter().flatten().collect();
        let about = match about.as_slice() {
            [] => String::new(),
            about => format!(" ({})", about.join(", ")),
        };
        let looked_at = entry.acknowledged();
        let looked_at = looked_at.map(|look| format!("\nlooked at: {}", look.note));
        table.add_row([
            event.id.to_string(),
            local_text(event.wall_us),
            event.severity.to_string(),
            format!(
                "{}{about}: {}{}",
                event.kind,
                event.message,
                looked_at.unwrap_or_default()
            ),
        ]);
    }
    table.to_string()
}

fn show(asked: &ShowArguments) -> Result<(), Failure> {
    let reader = asked.store.open()?;
    let event = reader.event(EventId::new(asked.event))?;
    let stand = parse_stand(&asked.store.stand.file).ok();
    let found = evidence(&reader, &event, stand.as_ref().map(|read| &read.stand))?;
    if let Some(file) = &asked.bytes {
        let raw = journal::raw_bytes(&reader, &event)?;
        std::fs::write(file, raw).with_context(|| file.display().to_string())?;
    }
    if asked.json {
        let mut object = fold([event]).first().map(Entry::json).unwrap_or_default();
        object["evidence"] = json!(found);
        json_line(&object);
        return Ok(());
    }
    say(&line(&event));
    say(&format!("kind       {}", event.kind));
    if let Some((tick, hz)) = found.as_ref().and_then(|f| Some((f.tick?, f.tick_hz))) {
        let seconds = tick as f64 / f64::from(hz.max(1));
        say(&format!(
            "board time {seconds:.6} s after its start (tick {tick})"
        ));
    }
    if let Some(pull) = event.pull {
        say(&format!("pull       {pull}"));
    }
    if !event.data.is_null() {
        say(&format!("values     {}", event.data));
    }
    if let Some(look) = &event.acknowledged {
        say(&format!(
            "looked at  {}: {}",
            local_text(look.wall_us),
            look.note
        ));
    }
    if let Some(advice) = EventKind::of_word(&event.kind).and_then(EventKind::advice) {
        say(&format!("check      {advice}"));
    }
    match &found {
        Some(found) => show_evidence(found, event.channel.as_deref(), asked.all),
        None => say("evidence   none: it happened without a connection to a board"),
    }
    if let Some(file) = &asked.bytes {
        say(&format!("bytes      {}", file.display()));
    }
    Ok(())
}

fn show_evidence(found: &Evidence, about: Option<&str>, all: bool) {
    match found.chunks {
        Some((first, last)) => say(&format!(
            "evidence   {} bytes in chunks {first} to {last} of connection {}",
            found.bytes, found.connection
        )),
        None => say("evidence   no bytes were stored around it"),
    }
    for gap in &found.gaps {
        say(&format!("  lacking: {gap}"));
    }
    for (fault, count) in &found.faults {
        say(&format!("  {count} × {fault}"));
    }
    // A guard is about a channel under another name: then all are of interest.
    let is_about = |series: &EvidenceSeries| about == Some(series.channel.as_str());
    let single = found.series.iter().any(is_about) && !all;
    for series in found
        .series
        .iter()
        .filter(|series| !single || is_about(series))
    {
        if series.samples.is_empty() {
            continue;
        }
        let unit = &series.unit;
        say(&format!(
            "\n{} ({} samples)",
            series.channel,
            series.samples.len()
        ));
        let mut table = Table::new(["s", "counts", if unit.is_empty() { "value" } else { unit }]);
        let step = if all {
            1
        } else {
            series.samples.len().div_ceil(ROWS_MAX)
        };
        for sample in series.samples.iter().step_by(step) {
            let counts = sample
                .counts
                .map_or_else(String::new, |counts| counts.to_string());
            let value = sample
                .value
                .map_or_else(|| "lost".to_owned(), |value| format!("{value:.6}"));
            table.add_row([format!("{:+.4}", sample.at_s), counts, value]);
        }
        say(&table.to_string());
        if step > 1 {
            say(&format!("every {step}th sample; --all shows each"));
        }
    }
}

fn ack(asked: &AckArguments) -> Result<(), Failure> {
    let (event, daemon) = (EventId::new(asked.event), &asked.daemon);
    let note = asked.note.trim();
    if note.is_empty() {
        bail!("the note is empty: say what was found");
    }
    let read = read_stand(&daemon.stand.file)?;
    let path = format!("/api/events/{event}/note");
    let body = json!({ "note": note });
    if Line::to(&read.stand, daemon)?.post(&path, &body)?.is_none() {
        let mut store = Store::open_existing(&read.store_folder)?;
        let look = Acknowledgement {
            wall_us: Clock::start().now().wall_us,
            note: note.to_owned(),
        };
        store.acknowledge(event, &look)?;
    }
    say(&format!("event {event}: noted"));
    Ok(())
}

fn show_days(asked: &DaysArguments) -> Result<(), Failure> {
    let (reader, since) = (asked.store.open()?, asked.since.as_deref());
    let since_us = time(since)?.unwrap_or(i64::MIN);
    let mut pulls = reader.pulls()?;
    pulls.retain(|pull| pull.started_wall_us >= since_us);
    let days = days(&faults(&reader, time(since)?)?, &pulls, &TimeZone::system());
    if asked.json {
        for (date, day) in &days {
            let mut object = json!(day);
            object["date"] = json!(date);
            json_line(&object);
        }
        return Ok(());
    }
    if days.is_empty() {
        say("nothing in the journal");
        return Ok(());
    }
    let mut table = Table::new([
        "day",
        "pulls",
        "not whole",
        "cuts",
        "errors",
        "warnings",
        "not looked at",
        "most frequent",
    ]);
    for (date, day) in &days {
        let kinds: Vec<String> = day
            .kinds
            .iter()
            .take(3)
            .map(|(kind, count)| format!("{kind} × {count}"))
            .collect();
        table.add_row([
            date.to_string(),
            day.pulls.to_string(),
            day.pulls_not_whole.to_string(),
            day.cuts.to_string(),
            day.errors.to_string(),
            day.warnings.to_string(),
            day.not_looked_at.to_string(),
            kinds.join(", "),
        ]);
    }
    say(&table.to_string());
    Ok(())
}

fn show_health(asked: &HealthArguments) -> Result<(), Failure> {
    let (of, channel) = (&asked.of, asked.channel.as_deref());
    let (reader, since) = (of.store.open()?, of.since.as_deref());
    let mut connections = reader.connections()?;
    if let Some(since_us) = time(since)? {
        connections.retain(|connection| connection.opened_wall_us >= since_us);
    }
    let entries = faults(&reader, time(since)?)?;
    let names = parse_stand(&of.store.stand.file)
        .map_or_else(|_| Vec::new(), |read| channel_names(&read.stand));
    let now_wall_us = Clock::start().now().wall_us;
    let mut found = health(
        &names,
        &entries,
        &connections,
        &TimeZone::system(),
        now_wall_us,
    );
    found.retain(|health| channel.is_none_or(|channel| health.channel == channel));
    if of.json {
        found.iter().for_each(|health| json_line(&json!(health)));
        return Ok(());
    }
    if let (Some(_), Some(health)) = (channel, found.first()) {
        let mut table = Table::new(["day", "hours", "faults", "occurrences"]);
        for (date, day) in &health.days {
            table.add_row([
                date.to_string(),
                format!("{:.1}", day.hours),
                day.faults.to_string(),
                day.occurrences.to_string(),
            ]);
        }
        say(&table.to_string());
    }
    let mut table = Table::new(["channel", "trend", "faults/h before", "faults/h lately"]);
    found.sort_by_key(|health| match health.trend {
        Trend::Worse => 0,
        Trend::Steady => 1,
        Trend::Better => 2,
        Trend::Healthy => 3,
    });
    for health in &found {
        let word = match health.trend {
            Trend::Healthy => "no fault",
            Trend::Steady => "no change",
            Trend::Worse => "getting worse",
            Trend::Better => "getting better",
        };
        let (before, lately) = health.faults_per_h;
        table.add_row([
            health.channel.clone(),
            word.to_owned(),
            format!("{before:.2}"),
            format!("{lately:.2}"),
        ]);
    }
    say(&table.to_string());
    Ok(())
}
