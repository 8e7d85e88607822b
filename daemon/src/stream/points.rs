//! Points: what a time-series server is sent, as lines of the line protocol.
//!
//! A point is the same whenever it is made: same name, tags, time and fields. Sent twice, it
//! replaces itself. `STREAMING.md` lists all names with their units.

use influxdb2::models::{DataPoint, FieldValue, WriteDataPoint};
use leverarm_torque::curve::CurvePoint;

use super::windows::Window;
use leverarm_analysis::engine::{EngineFigure, EnginePull};
use leverarm_analysis::reduction::ReducedPull;
use leverarm_analysis::replay::Series;
use leverarm_store::{ConnectionId, EventRecord, PullRecord, PullState};

/// Longest text in a field, bytes: what a server may refuse for its length helps nobody.
const TEXT_BYTES_MAX: usize = 4096;

type Tags<'a> = Vec<(&'static str, &'a str)>;

/// One point as a line; `None` when it has no field.
fn line<K: Into<String>>(
    name: &str,
    tags: &Tags<'_>,
    fields: Vec<(K, FieldValue)>,
    time_ns: i64,
) -> Option<String> {
    let mut builder = DataPoint::builder(name).timestamp(time_ns);
    for (key, value) in tags.iter().filter(|(_, value)| !value.trim().is_empty()) {
        builder = builder.tag(*key, plain(value.trim()));
    }
    for (key, value) in fields {
        // The line protocol knows neither infinity nor not-a-number.
        if !matches!(value, FieldValue::F64(number) if !number.is_finite()) {
            builder = builder.field(key, value);
        }
    }
    let mut bytes = Vec::with_capacity(160);
    builder.build().ok()?.write_data_point_to(&mut bytes).ok()?;
    let mut line = String::from_utf8(bytes).ok()?;
    line.truncate(line.trim_end_matches('\n').len());
    Some(line)
}

/// Text that any server reads: no line break, and no backslash, which at the end of a value would
/// swallow what follows (the library escapes it nowhere).
fn plain(text: &str) -> String {
    let plain = |c: char| match c {
        '\\' => '/',
        c if c.is_control() => ' ',
        c => c,
    };
    text.chars().map(plain).collect()
}

fn text(value: &str) -> FieldValue {
    let mut end = value.len().min(TEXT_BYTES_MAX);
    while !value.is_char_boundary(end) {
        end -= 1;
    }
    FieldValue::String(plain(value.get(..end).unwrap_or_default()))
}

fn whole(value: impl TryInto<i64>) -> FieldValue {
    FieldValue::I64(value.try_into().unwrap_or(i64::MAX))
}

fn ns(wall_us: i64) -> i64 {
    wall_us.saturating_mul(1000)
}

/// A board's number as a tag.
pub(super) fn board_tag(board_id: u64) -> String {
    format!("{board_id:016x}")
}

/// What the live points of one series have in common.
#[derive(Debug, Clone)]
pub(super) struct LiveSeries {
    /// Name and tags, as a line begins.
    head: String,
    min: String,
    mean: String,
    max: String,
}

impl LiveSeries {
    pub(super) fn new(
        stand: &str,
        board: Option<&str>,
        connection: ConnectionId,
        series: &Series,
    ) -> Option<Self> {
        let connection = connection.to_string();
        let tags = vec![
            ("board", board.unwrap_or_default()),
            ("channel", &series.channel),
            ("connection", &connection),
            ("stand", stand),
        ];
        // The library writes and escapes one line; its beginning serves for all.
        let name = format!("leverarm_{}", series.quantity);
        let whole = line(&name, &tags, vec![("x", FieldValue::I64(0))], 0)?;
        let head = whole.strip_suffix("x=0i 0")?;
        let field = |what: &str| format!("{what}{}=", series.unit);
        Some(Self {
            head: head.to_owned(),
            min: field("min"),
            mean: field("mean"),
            max: field("max"),
        })
    }

    pub(super) fn line(&self, window: &Window) -> String {
        let Self {
            head,
            min,
            mean,
            max,
        } = self;
        let digest = &window.digest;
        let (samples, lost) = (digest.samples, digest.lost);
        let time_ns = ns(window.wall_us);
        if samples == 0 {
            return format!("{head}lost={lost}i,samples=0i {time_ns}");
        }
        format!(
            "{head}lost={lost}i,samples={samples}i,{min}{},{mean}{},{max}{} {time_ns}",
            digest.min,
            digest.mean(),
            digest.max,
        )
    }
}

/// An event as a point. Events of one microsecond get different nanoseconds.
pub(super) fn event(
    stand: &str,
    board: Option<&str>,
    setup: Option<&str>,
    event: &EventRecord,
) -> Option<String> {
    let pull = event.pull.map(|pull| pull.to_string());
    let tags = vec![
        ("board", board.unwrap_or_default()),
        ("channel", event.channel.as_deref().unwrap_or_default()),
        ("kind", &event.kind),
        ("pull", pull.as_deref().unwrap_or_default()),
        ("setup", setup.unwrap_or_default()),
        ("severity", event.severity.word()),
        ("stand", stand),
    ];
    let fields = vec![
        ("count", whole(event.repeats().count)),
        ("event", whole(event.id.get())),
        ("message", text(&event.message)),
    ];
    let time_ns = ns(event.wall_us).saturating_add(event.id.get().rem_euclid(1000));
    line("leverarm_event", &tags, fields, time_ns)
}

/// What names a pull's points.
#[derive(Debug, Clone, Copy)]
pub(super) struct PullTags<'a> {
    pub(super) stand: &'a str,
    pub(super) board: Option<&'a str>,
    pub(super) pull: &'a PullRecord,
}

/// A pull that is over: one point, and every point of its curve, with the figures of the engine,
/// where it has one. `first_tooth_us` is when the curve's time begins, on the wall clock.
pub(super) fn pull(
    tags: PullTags<'_>,
    reduced: Option<(&ReducedPull, &EnginePull)>,
    first_tooth_us: Option<i64>,
) -> Vec<String> {
    let PullTags { stand, board, pull } = tags;
    let number = pull.id.to_string();
    let tags = vec![
        ("board", board.unwrap_or_default()),
        ("pull", number.as_str()),
        ("setup", pull.setup_name.as_deref().unwrap_or_default()),
        ("stand", stand),
    ];
    let mut fields = vec![
        ("state", text(pull.state.word())),
        ("whole", FieldValue::Bool(pull.state == PullState::Stored)),
    ];
    let curve = reduced.map(|(reduced, _)| &reduced.curve);
    if let Some(curve) = curve {
        fields.push(("air_factor", FieldValue::F64(curve.factor.factor)));
        fields.push(("curve_points", whole(curve.points.len())));
        if let Some(peak) = curve.peak_torque {
            fields.push(("peak_torque_nm", FieldValue::F64(peak.value)));
            fields.push(("peak_torque_rpm", FieldValue::F64(peak.rpm)));
        }
        if let Some(peak) = curve.peak_power {
            fields.push(("peak_power_w", FieldValue::F64(peak.value)));
            fields.push(("peak_power_rpm", FieldValue::F64(peak.rpm)));
        }
        if let Some(cycles) = &curve.cycles {
            fields.push(("cycle_variation", FieldValue::F64(cycles.cov)));
            let half = FieldValue::F64(cycles.expanded_uncertainty());
            fields.push(("cycle_variation_uncertainty_95", half));
            fields.push(("working_cycles", FieldValue::F64(cycles.count)));
            fields.push(("misfired_cycles", FieldValue::F64(cycles.misfired())));
            fields.push(("jolts", whole(cycles.jolts.len())));
        }
        if let Some(shuffle) = curve.shuffle {
            fields.push(("shuffle_hz", FieldValue::F64(shuffle.frequency_hz)));
            let damping = shuffle.damping_ratio.map(FieldValue::F64);
            fields.extend(damping.map(|ratio| ("shuffle_damping_ratio", ratio)));
        }
    }
    let mut lines = Vec::new();
    lines.extend(line(
        "leverarm_pull",
        &tags,
        fields,
        ns(pull.started_wall_us),
    ));
    let begin_ns = ns(first_tooth_us.unwrap_or(pull.started_wall_us));
    let mut earliest_ns = i64::MIN;
    let points = reduced.into_iter().flat_map(|(reduced, engine)| {
        let points = reduced.curve.points.iter();
        points.map(move |point| (point, engine))
    });
    for (point, engine) in points {
        // No two points of a curve at one time: the second would replace the first.
        let time_ns = begin_ns
            .saturating_add(nanoseconds(point.time_s))
            .max(earliest_ns);
        earliest_ns = time_ns.saturating_add(1);
        lines.extend(line(
            "leverarm_curve",
            &tags,
            curve_fields(point, engine),
            time_ns,
        ));
    }
    lines
}

fn nanoseconds(seconds: f64) -> i64 {
    #[expect(clippy::cast_possible_truncation, reason = "float `as` saturates")]
    let whole = (seconds * 1e9).round() as i64;
    whole
}

fn curve_fields(point: &CurvePoint, engine: &EnginePull) -> Vec<(String, FieldValue)> {
    let curve = [
        ("rpm", point.rpm),
        ("torque_nm", point.torque_nm),
        ("measured_torque_nm", point.measured_torque_nm),
        ("torque_uncertainty_95_nm", point.expanded_uncertainty_nm()),
        ("power_w", point.power_w()),
        // Where nothing slips, and at a held speed: the line leaves out what is not there.
        ("slip_power_w", point.slip_power_w.unwrap_or(f64::NAN)),
        ("resolution_rpm", point.resolution_rpm.unwrap_or(f64::NAN)),
    ];
    let curve = curve.map(|(key, value)| (key.to_owned(), FieldValue::F64(value)));
    let trustworthy = FieldValue::Bool(point.trustworthy);
    let place = engine.place(point);
    let of_engine = place.and_then(|place| engine.points.get(place));
    let figures = of_engine.into_iter().flat_map(|of_engine| {
        let measured = EngineFigure::ALL
            .iter()
            .filter_map(|figure| Some((figure, (figure.get)(of_engine)?)));
        measured.flat_map(|(figure, reading)| {
            let (value, half) = (reading.value, reading.expanded());
            [("", value), ("_uncertainty_95", half)]
                .map(|(what, value)| (figure.key(what), FieldValue::F64(value)))
        })
    });
    curve
        .into_iter()
        .chain([("trustworthy".to_owned(), trustworthy)])
        .chain(figures)
        .collect()
}

/// A point that only asks whether the server takes points at all.
pub(super) fn probe(stand: &str, destination: &str, wall_us: i64) -> String {
    let tags = vec![("destination", destination), ("stand", stand)];
    let fields = vec![("alive", FieldValue::Bool(true))];
    line("leverarm_stream", &tags, fields, ns(wall_us)).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Escapes of the line protocol, as its reference lists them: comma, equals sign and space in
    /// tags; double quote and backslash in texts.
    #[test]
    fn odd_names_are_escaped() {
        let tags = vec![
            ("setup", "jet 105, needle=2\\"),
            ("empty", " "),
            ("two", "a\nb"),
        ];
        let fields = vec![
            ("message", text("say \"hot\" \n now\\")),
            ("bad", FieldValue::F64(f64::NAN)),
            ("n", whole(7_u64)),
        ];
        let line = line("leverarm_event", &tags, fields, 12).unwrap();
        assert_eq!(
            line,
            "leverarm_event,setup=jet\\ 105\\,\\ needle\\=2/,two=a\\ b \
             message=\"say \\\"hot\\\"   now/\",n=7i 12"
        );
        let only_bad = vec![("bad", FieldValue::F64(f64::INFINITY))];
        assert_eq!(super::line("x", &Vec::new(), only_bad, 1), None);
    }

    #[test]
    fn a_long_text_is_cut_between_characters() {
        let long = "é".repeat(TEXT_BYTES_MAX);
        let FieldValue::String(short) = text(&long) else {
            panic!("a text");
        };
        assert_eq!(short.len(), TEXT_BYTES_MAX);
    }
}
