//! From the parsed tree to a [`Stand`], section by section. Each function reads all of its keys
//! before it gives up, so that every mistake of the file is named at once.

mod absorber;
mod channels;
mod drum;
mod engine;
mod guards;
mod roles;
mod streams;

use std::collections::HashSet;
use std::f64::consts::PI;
use std::hash::Hash;
use std::net::{Ipv4Addr, SocketAddr, SocketAddrV4};

use leverarm_torque::STANDARD_GRAVITY_M_PER_S2;
use leverarm_torque::air::Correction;
use leverarm_torque::uncertainty::{Measured, propagate};
use toml::de::DeTable;

use self::absorber::absorber;
use self::channels::Channels;
use self::drum::drum;
use self::engine::engine;
use self::guards::guards;
use self::streams::streams;
use crate::display::{
    DisplayUnit, DisplayUnits, HORSEPOWER_MECHANICAL, HORSEPOWER_METRIC, KILOWATT,
};
use crate::mistake::{ConfigErrors, Mistake};
use crate::reader::{
    Choice, Flag, Found, Item, List, Log, MeasuredQuantity, Number, Parsed, Place, Quantity as Q,
    Rule, Section, Text, Whole,
};
use crate::stand::{
    AirInput, AirInputs, BoardLimits, CurveRules, Drive, LoadCell, Losses, Pickup, Port, PullRules,
    Quantity, Shaft, Stage, Stand, StandKind, Tyre, overspeed_cut_rad_per_s,
};
use crate::units::{self, RPM_RAD_PER_S};

/// Reads a whole stand file. `file` is only its name for messages.
///
/// # Errors
/// Every mistake in it.
pub fn parse(file: &str, text: &str) -> Result<Stand, ConfigErrors> {
    let log = Log::new(text);
    let (document, syntax_errors) = DeTable::parse_recoverable(text);
    for error in &syntax_errors {
        report_syntax(&log, error);
    }
    // Half a tree would only give mistakes that aren't there.
    let stand = if syntax_errors.is_empty() {
        read_stand(Section::root(&log, document.get_ref()))
    } else {
        None
    };
    let mistakes: Vec<Mistake> = log.into_mistakes();
    match stand {
        Some(stand) if mistakes.is_empty() => Ok(stand),
        _ => Err(ConfigErrors {
            file: file.to_owned(),
            mistakes,
        }),
    }
}

fn report_syntax(log: &Log<'_>, error: &toml::de::Error) {
    let message = error.message();
    let (rule, expected) = message
        .split_once(", expected ")
        .unwrap_or((message, "TOML"));
    let (expected, hint) = if rule.contains("must be quoted") {
        let hint = "a quantity is text too, as in \"300 mm\"".to_owned();
        ("text in quotes", Some(hint))
    } else {
        (expected, None)
    };
    let place = Place::new("TOML".to_owned(), error.span().unwrap_or_default());
    log.report(&place, rule, Found::Here, expected, hint);
}

fn read_stand(root: Section<'_>) -> Option<Stand> {
    let (name, kind) = match root.required_section("stand") {
        Some(section) => stand_name_and_kind(section),
        None => (None, None),
    };
    let engine = engine(root.section("engine"), root.optional_section("intake"));
    let port = root.required_section("port").map(port);
    let board = board(root.section("board"));
    let drum = root.optional_section("drum").map(drum);
    let pickups = pickups(&root);
    let drive = root.required_section("drive").map(drive);
    let load_cell = root.optional_section("load_cell").map(load_cell);
    let absorber = root.optional_section("absorber").map(absorber);
    let channels = Channels::read(&root);
    channels.check_pulses(&root, pickups.as_deref().unwrap_or_default());
    let losses = losses(root.section("losses"), &channels);
    let guards = guards(&root, &channels, root.has("load_cell"));
    let air = root
        .required_section("air")
        .map(|section| air(section, &channels));
    let curve = curve(root.section("curve"));
    let units = display_units(root.section("display"));
    let store_folder = store_folder(root.section("store"));
    let page_address = page_address(root.section("page"));
    let streams = streams(&root, name.as_deref());

    let cut_rad_per_s = drive
        .as_ref()
        .and_then(Option::as_ref)
        .and_then(|drive| overspeed_cut_rad_per_s(guards.iter().flatten(), drive, Shaft::Engine));
    let pull = pull(root.section("pull"), cut_rad_per_s);

    if let Some(StandKind::Inertia | StandKind::Both) = kind
        && !root.has("drum")
    {
        root.missing(
            "drum",
            "a section [drum]: its inertia is what torque is worked out from",
        );
    }
    if let Some(StandKind::Brake | StandKind::Both) = kind
        && !root.has("load_cell")
    {
        root.missing(
            "load_cell",
            "a section [load_cell]: its force is what torque is worked out from",
        );
    }
    root.finish();

    let (air, correction) = air??;
    Some(Stand {
        name: name?,
        kind: kind?,
        engine: engine?,
        port: port??,
        board: board?,
        drum: if_there(drum)?,
        pickups: pickups?,
        drive: drive??,
        losses: losses?,
        load_cell: if_there(load_cell)?,
        absorber: if_there(absorber)?,
        channels: channels.into_channels()?,
        guards: guards.into_iter().collect::<Option<_>>()?,
        pull: pull?,
        air,
        correction,
        curve: curve?,
        units: units?,
        store_folder: store_folder?.into(),
        page_address: page_address?,
        streams: streams.into_iter().collect::<Option<_>>()?,
    })
}

/// For a section that may be left out: nothing when it failed, `Some(None)` when it isn't there.
fn if_there<T>(section: Option<Option<T>>) -> Option<Option<T>> {
    section.map_or(Some(None), |read| read.map(Some))
}

fn stand_name_and_kind(section: Section<'_>) -> (Option<String>, Option<StandKind>) {
    const KINDS: &[(&str, StandKind)] = &[
        ("inertia", StandKind::Inertia),
        ("brake", StandKind::Brake),
        ("both", StandKind::Both),
    ];
    let name = section.required("name", &Text("stand in the shed"));
    let kind = section.required("kind", &Choice(KINDS));
    // There is one form so far; a file of a later one is refused.
    let _version: Option<u32> = section.optional("version", &Whole(1..=crate::VERSION));
    section.finish();
    (name, kind)
}

fn port(section: Section<'_>) -> Option<Port> {
    let path = section.required("path", &Text("/dev/ttyUSB0"));
    let baud = section.optional("baud", &Whole(9_600..=4_000_000));
    let real_time = section.optional("real_time", &Flag);
    section.finish();
    Some(Port {
        path: path?.into(),
        baud: baud.unwrap_or(500_000),
        real_time: real_time.unwrap_or(false),
    })
}

fn board(section: Section<'_>) -> Option<BoardLimits> {
    let timeout = section.optional(
        "heartbeat_timeout",
        &Q(&units::DURATION, Some(("50 ms", "2000 ms"))),
    );
    let short_periods_to_cut = section.optional("short_periods_to_cut", &Whole(1..=50));
    let self_test_age_s_max = section.optional(
        "self_test_max_age",
        &Q(&units::DURATION, Some(("0 s", "744 h"))),
    );
    section.finish();
    let heartbeat_timeout_ms = u16::try_from(milliseconds(timeout.unwrap_or(0.25))).ok()?;
    Some(BoardLimits {
        heartbeat_timeout_ms,
        short_periods_to_cut: short_periods_to_cut.unwrap_or(3),
        self_test_age_s_max: self_test_age_s_max.map(|age_s| milliseconds(age_s) / 1000),
    })
}

/// Whole milliseconds; the bounds on durations keep it far from its limits.
fn milliseconds(seconds: f64) -> u32 {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "as saturates, and durations are bounded"
    )]
    let whole = (seconds * 1e3).round() as u32;
    whole
}

const SHAFTS: &[(&str, Shaft)] = &[("drum", Shaft::Drum), ("engine", Shaft::Engine)];

/// A wider gap hides too much of the turn.
const MISSING_MAX: u16 = 2;
/// With more teeth left out than one in so many the rest looks like a slower wheel.
const MISSING_SHARE: u16 = 4;

fn pickups(root: &Section<'_>) -> Option<Vec<Pickup>> {
    let sections = root.sections("pickup");
    if !root.has("pickup") {
        root.missing("pickup", "a list [[pickup]] of one or two tooth pickups");
    }
    if let Some(third) = sections.get(2) {
        let expected = "one or two [[pickup]]";
        let found = Found::Text("a third");
        root.log().report(
            third.place(),
            "a stand has at most two pickups",
            found,
            expected,
            None,
        );
    }
    let mut channels = Unique::new("two pickups can't share a channel", "a channel of its own");
    let pickups: Vec<Option<Pickup>> = sections
        .into_iter()
        .map(|section| {
            let channel = section.required("channel", &Whole(0..=255));
            channels.check(channel, section.item("channel"));
            let shaft = section.required("on", &Choice(SHAFTS));
            let teeth = section.required("teeth", &Whole(1..=400));
            let missing = section.optional("missing", &Whole(0..=MISSING_MAX));
            let (missing, teeth) = (missing.unwrap_or(0), teeth?);
            if MISSING_SHARE * missing > teeth
                && let Some(item) = section.item("missing")
            {
                let expected = format!("at most one in {MISSING_SHARE} of the {teeth} teeth");
                item.fault("too many teeth are left out", expected, None);
                return None;
            }
            section.finish();
            Some(Pickup {
                channel: channel?,
                shaft: shaft?,
                teeth,
                missing,
            })
        })
        .collect();
    pickups.into_iter().collect()
}

/// Tells of values that come twice.
struct Unique<T> {
    seen: HashSet<T>,
    rule: &'static str,
    expected: &'static str,
}

impl<T: Eq + Hash> Unique<T> {
    fn new(rule: &'static str, expected: &'static str) -> Self {
        Self {
            seen: HashSet::new(),
            rule,
            expected,
        }
    }

    fn check(&mut self, value: Option<T>, item: Option<Item<'_>>) {
        if let (Some(value), Some(item)) = (value, item)
            && !self.seen.insert(value)
        {
            item.fault(self.rule, self.expected, None);
        }
    }
}

fn drive(section: Section<'_>) -> Option<Drive> {
    let engine_side = if section.has("stages") {
        let stages = section.required(
            "stages",
            &List(Parsed {
                expected: STAGE,
                parse: stage,
            }),
        );
        stages.map(|stages| {
            let ratio = stages.iter().map(|stage| stage.ratio()).product();
            (Measured::exact(ratio), stages)
        })
    } else if section.has("ratio") {
        let ratio = section.optional("ratio", &MeasuredQuantity(&units::RATIO, ("0.1", "100")));
        ratio.map(|ratio| (ratio, Vec::new()))
    } else {
        section.missing(
            "ratio",
            format!("{}, or stages = [\"41/15\", …]", units::RATIO),
        );
        None
    };
    let gear = Q(&units::RATIO, Some(("0.1", "100")));
    let other_gears = section.optional("other_gears", &List(gear));
    let tyre_section = section.optional_section("tyre");
    let tyre = if_there(tyre_section.map(tyre));
    let place = section.place().clone();
    let log = section.log();
    section.finish();

    let (engine_side, stages) = engine_side?;
    let tyre = tyre?;
    let engine_per_drum = match tyre {
        None => engine_side,
        Some(Tyre {
            rolling_circumference_m,
            drum_diameter_m,
            slip: _,
        }) => propagate(
            [engine_side, drum_diameter_m, rolling_circumference_m],
            |[r, d, c]| r * PI * d / c,
        ),
    };
    if !(0.1..=100.0).contains(&engine_per_drum.value) {
        let found = format!("{:.4} in all", engine_per_drum.value);
        let expected = "0.1 to 100 engine turns per drum turn";
        log.report(
            &place,
            "the ratio is out of range",
            Found::Text(&found),
            expected,
            None,
        );
        return None;
    }
    Some(Drive {
        engine_per_drum,
        stages,
        tyre,
        other_gears: other_gears.unwrap_or_default(),
    })
}

const STAGE: &str = "tooth counts \"driven/driving\" such as \"41/15\", 1 to 400 each";

fn stage(text: &str) -> Result<Stage, (String, Option<String>)> {
    Stage::parse(text).ok_or_else(|| ("these are no two tooth counts".to_owned(), None))
}

fn tyre(section: Section<'_>) -> Option<Tyre> {
    let length = |key| section.required(key, &MeasuredQuantity(&units::LENGTH, ("10 mm", "10 m")));
    let rolling_circumference_m = length("rolling_circumference");
    let drum_diameter_m = length("drum_diameter");
    let slip = section.optional("slip", &MeasuredQuantity(&units::FRACTION, ("0 %", "20 %")));
    section.finish();
    Some(Tyre {
        rolling_circumference_m: rolling_circumference_m?,
        drum_diameter_m: drum_diameter_m?,
        // 1 to 4 % at full throttle (common practice, no source).
        slip: slip.unwrap_or(Measured::within(0.025, 0.015)),
    })
}

fn losses(section: Section<'_>, channels: &Channels) -> Option<Losses> {
    let constant = section.optional("constant", &Q(&units::TORQUE, Some(("0 N*m", "1000 N*m"))));
    // A fit to a coast-down may well give one of these a small negative value.
    let linear = section.optional(
        "linear",
        &Q(
            &units::LOSS_LINEAR,
            Some(("-10 N*m/(rad/s)", "10 N*m/(rad/s)")),
        ),
    );
    let quadratic = section.optional(
        "quadratic",
        &Q(
            &units::LOSS_QUADRATIC,
            Some(("-1 N*m/(rad/s)^2", "1 N*m/(rad/s)^2")),
        ),
    );
    let share = Q(&units::FRACTION, Some(("0 %", "100 %")));
    let relative_uncertainty = section.optional("uncertainty", &share);
    let repeatability = section.optional("repeatability", &share);
    let bearing_channel = if_there(section.item("bearing_channel").map(|item| {
        let id = item.read(&channels.named())?;
        if channels.quantity(id)? != Quantity::Temperature {
            let expected = "a channel that measures a temperature";
            item.fault("this channel measures something else", expected, None);
            return None;
        }
        Some(id)
    }));
    section.finish();
    Some(Losses {
        constant_nm: constant.unwrap_or(0.0),
        linear_nm_s_per_rad: linear.unwrap_or(0.0),
        quadratic_nm_s2_per_rad2: quadratic.unwrap_or(0.0),
        relative_uncertainty: relative_uncertainty.unwrap_or(0.0),
        repeatability: repeatability.unwrap_or(0.0),
        bearing_channel: bearing_channel?,
    })
}

fn load_cell(section: Section<'_>) -> Option<LoadCell> {
    const SIGNS: &[(&str, f64)] = &[("+", 1.0), ("-", -1.0)];
    let channel = section.required("channel", &Whole(0..=255));
    let gravity = section.optional(
        "gravity",
        &Q(&units::ACCELERATION, Some(("9.7 m/s^2", "9.9 m/s^2"))),
    );
    let newton_per_count = section
        .required("per_count", &LoadCellScale)
        .map(|scale| match scale {
            ForceScale::Newton(scale) => scale,
            // Calibrated with hung weights: their force is mass times the local gravity.
            ForceScale::Kilogram(scale) => {
                let g = gravity.unwrap_or(STANDARD_GRAVITY_M_PER_S2);
                Measured::new(scale.value * g, scale.standard_uncertainty * g)
            }
        });
    let zero_counts = section.required("zero_counts", &Number(-2_147_483_648.0..=2_147_483_647.0));
    let arm_m = section.required("arm", &MeasuredQuantity(&units::LENGTH, ("10 mm", "5 m")));
    let sign = section.optional("sign", &Choice(SIGNS));
    let shaft = section.required("on", &Choice(SHAFTS));
    let range_counts = if_there(section.item("range_counts").map(|item| counts_range(&item)));
    section.finish();
    Some(LoadCell {
        channel: channel?,
        newton_per_count: newton_per_count?,
        zero_counts: zero_counts?,
        arm_m: arm_m?,
        sign: sign.unwrap_or(1.0),
        shaft: shaft?,
        range_counts: range_counts?,
    })
}

fn counts_range(item: &Item<'_>) -> Option<(f64, f64)> {
    let ends = List(Number(-2_147_483_648.0..=2_147_483_647.0));
    match item.read(&ends)?.as_slice() {
        [lowest, highest] if lowest < highest => Some((*lowest, *highest)),
        _ => {
            let expected = "the converter's lowest and highest counts, [-8388608, 8388607]";
            item.fault("this is a range", expected, None);
            None
        }
    }
}

enum ForceScale {
    Newton(Measured),
    Kilogram(Measured),
}

struct LoadCellScale;

impl Rule for LoadCellScale {
    type Value = ForceScale;

    fn read(&self, item: &Item<'_>) -> Option<ForceScale> {
        let text = item.quantity_text(|| self.expected())?;
        if let Ok(mass) = units::measured(text, &units::MASS_PER_COUNT) {
            return positive(mass.value, item, self).map(|_| ForceScale::Kilogram(mass));
        }
        match units::measured(text, &units::FORCE_PER_COUNT) {
            Ok(force) => positive(force.value, item, self).map(|_| ForceScale::Newton(force)),
            Err(error) => {
                item.fault(error.to_string(), self.expected(), None);
                None
            }
        }
    }

    fn expected(&self) -> String {
        format!("{}, or {}", units::FORCE_PER_COUNT, units::MASS_PER_COUNT)
    }
}

fn positive(value: f64, item: &Item<'_>, rule: &impl Rule) -> Option<f64> {
    if value > 0.0 {
        return Some(value);
    }
    item.fault("this has to be more than 0", rule.expected(), None);
    None
}

/// Part of the engine's overspeed limit at which a pull ends, when the file doesn't say.
const END_PER_LIMIT: f64 = 0.95;
/// Part of its end speed at which a pull starts, when the file doesn't say.
const START_PER_END: f64 = 0.35;
/// A rise from start to end that takes longer is no pull, when the file doesn't say.
const PULL_S_MAX: f64 = 60.0;

fn pull(section: Section<'_>, cut_rad_per_s: Option<f64>) -> Option<PullRules> {
    const SPEEDS: Option<(&str, &str)> = Some(("100 rpm", "30000 rpm"));
    let speed = |key, default: Option<f64>| {
        section
            .item(key)
            .map_or(default, |item| item.read(&Q(&units::ROTATION, SPEEDS)))
    };
    let duration = |key, default, bounds| {
        let rule = Q(&units::DURATION, Some(bounds));
        section
            .item(key)
            .map_or(Some(default), |item| item.read(&rule))
    };
    let end = speed(
        "end_speed",
        cut_rad_per_s.map(|cut| whole_hundred_rpm(cut * END_PER_LIMIT)),
    );
    let start = speed(
        "start_speed",
        end.map(|end| whole_hundred_rpm(end * START_PER_END)),
    );
    let acceleration_min = Q(&units::ROTATION_RATE, Some(("1 rpm/s", "10000 rpm/s")));
    let acceleration_min = section.item("acceleration_min").map_or_else(
        || Some((end? - start?) / PULL_S_MAX),
        |item| item.read(&acceleration_min),
    );
    let pre_trigger_s = duration("pre_trigger", 1.0, ("0 s", "30 s"));
    let coast_s = duration("coast", 5.0, ("0 s", "120 s"));
    let length_min_s = duration("length_min", 1.0, ("100 ms", "60 s"));
    if let (Some(start), Some(end)) = (start, end)
        && start >= end
    {
        let item = section
            .item("end_speed")
            .or_else(|| section.item("start_speed"));
        let place = item.map_or_else(|| section.place().clone(), |item| item.place);
        let found = format!(
            "a start at {:.0} rpm and an end at {:.0} rpm",
            start / RPM_RAD_PER_S,
            end / RPM_RAD_PER_S
        );
        let expected = "an end above the start";
        section.log().report(
            &place,
            "a pull goes up",
            Found::Text(&found),
            expected,
            None,
        );
    }
    section.finish();
    Some(PullRules {
        start_rad_per_s: start?,
        end_rad_per_s: end?,
        acceleration_min_rad_per_s2: acceleration_min?,
        pre_trigger_s: pre_trigger_s?,
        coast_s: coast_s?,
        length_min_s: length_min_s?,
    })
}

/// The next speed below that is a whole hundred of rpm.
fn whole_hundred_rpm(rad_per_s: f64) -> f64 {
    (rad_per_s / RPM_RAD_PER_S / 100.0).floor() * 100.0 * RPM_RAD_PER_S
}

fn air(section: Section<'_>, channels: &Channels) -> Option<(AirInputs, Correction)> {
    let reader = AirReader {
        section: &section,
        channels,
    };
    let pressure_pa = reader.read(
        "pressure",
        "pressure_channel",
        Quantity::Pressure,
        ("500 hPa", "1150 hPa"),
    );
    let temperature_k = reader.read(
        "temperature",
        "temperature_channel",
        Quantity::Temperature,
        ("-40 degC", "60 degC"),
    );
    let relative_humidity = reader.read(
        "humidity",
        "humidity_channel",
        Quantity::Fraction,
        ("0 %", "100 %"),
    );
    let correction = section.required(
        "correction",
        &Parsed {
            expected: Correction::KEYS,
            parse: |text: &str| {
                text.parse::<Correction>()
                    .map_err(|error| (error.to_string(), None))
            },
        },
    );
    section.finish();
    let inputs = AirInputs {
        pressure_pa: pressure_pa?,
        temperature_k: temperature_k?,
        relative_humidity: relative_humidity?,
    };
    Some((inputs, correction?))
}

struct AirReader<'s, 'a> {
    section: &'s Section<'a>,
    channels: &'s Channels,
}

impl AirReader<'_, '_> {
    /// A reading that is either written down or measured by a channel.
    fn read(
        &self,
        key: &'static str,
        channel_key: &'static str,
        quantity: Quantity,
        bounds: (&str, &str),
    ) -> Option<AirInput> {
        let kind = quantity.kind();
        match (self.section.item(key), self.section.item(channel_key)) {
            (Some(entered), None) => entered
                .read(&MeasuredQuantity(&kind, bounds))
                .map(AirInput::Entered),
            (None, Some(item)) => {
                let id = item.read(&self.channels.named())?;
                if self.channels.quantity(id)? != quantity {
                    let expected = format!("a channel that measures {}", kind.noun);
                    item.fault("this channel measures something else", expected, None);
                    return None;
                }
                Some(AirInput::Channel(id))
            }
            (Some(_), Some(item)) => {
                item.fault(
                    "this reading is given twice",
                    format!("{key} or {channel_key}"),
                    None,
                );
                None
            }
            (None, None) => {
                self.section
                    .missing(key, format!("{kind}, or {channel_key}"));
                None
            }
        }
    }
}

fn curve(section: Section<'_>) -> Option<CurveRules> {
    let rpm = |key, bounds| {
        let rule = Q(&units::ROTATION, Some(bounds));
        // To the nearest 0.001 rpm, so that "100 rpm" comes back as 100.
        let in_rpm = |rad_per_s: f64| (rad_per_s / RPM_RAD_PER_S * 1e3).round() / 1e3;
        section.item(key).map(|item| item.read(&rule).map(in_rpm))
    };
    let step_rpm = rpm("step", ("1 rpm", "2000 rpm"));
    let from_rpm = rpm("from", ("1 rpm", "30000 rpm"));
    let to_rpm = rpm("to", ("1 rpm", "30000 rpm"));
    if let (Some(Some(from)), Some(Some(to))) = (from_rpm, to_rpm)
        && from >= to
        && let Some(item) = section.item("to")
    {
        item.fault(
            "the curve ends before it starts",
            format!("more than {from} rpm"),
            None,
        );
    }
    section.finish();
    Some(CurveRules {
        step_rpm: step_rpm.unwrap_or(Some(100.0))?,
        from_rpm: if_there(from_rpm)?,
        to_rpm: if_there(to_rpm)?,
    })
}

fn display_units(section: Section<'_>) -> Option<DisplayUnits> {
    const SYSTEMS: &[(&str, DisplayUnits)] = &[("si", DisplayUnits::SI), ("us", DisplayUnits::US)];
    const POWERS: &[(&str, DisplayUnit)] = &[
        ("kW", KILOWATT),
        ("hp", HORSEPOWER_MECHANICAL),
        ("PS", HORSEPOWER_METRIC),
    ];
    let units = section
        .optional("units", &Choice(SYSTEMS))
        .unwrap_or(DisplayUnits::SI);
    let power = section
        .optional("power", &Choice(POWERS))
        .unwrap_or(units.power);
    section.finish();
    Some(DisplayUnits { power, ..units })
}

fn store_folder(section: Section<'_>) -> Option<String> {
    let folder = section.optional("folder", &Text("pulls"));
    section.finish();
    Some(folder.unwrap_or_else(|| "pulls".to_owned()))
}

/// Where the page is served when the file doesn't say.
const PAGE_ADDRESS: SocketAddr = SocketAddr::V4(SocketAddrV4::new(Ipv4Addr::LOCALHOST, 7340));

fn page_address(section: Section<'_>) -> Option<SocketAddr> {
    let address = section.optional(
        "address",
        &Parsed {
            expected: "an address and a port such as \"127.0.0.1:7340\"",
            parse: |text: &str| {
                text.parse()
                    .map_err(|_error| ("this is no network address".to_owned(), None))
            },
        },
    );
    section.finish();
    Some(address.unwrap_or(PAGE_ADDRESS))
}
