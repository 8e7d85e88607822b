//! From the parsed tree to a [`Stand`], section by section. Each function reads all of its keys
//! before it gives up, so that every mistake of the file is told at once.

use std::collections::HashSet;
use std::f64::consts::PI;
use std::hash::Hash;
use std::net::{Ipv4Addr, SocketAddr};

use leverarm_torque::STANDARD_GRAVITY_M_PER_S2;
use leverarm_torque::air::Correction;
use leverarm_torque::inertia::{self, Amount, Piece, Shape};
use leverarm_torque::sensor::{Divider, Law, NtcCurve, NtcSide, SteinhartHart};
use leverarm_torque::uncertainty::{Measured, propagate};
use toml::de::DeTable;

use crate::display::{
    DisplayUnit, DisplayUnits, HORSEPOWER_MECHANICAL, HORSEPOWER_METRIC, KILOWATT,
};
use crate::mistake::{ConfigErrors, Mistake};
use crate::reader::{
    Choice, Flag, Found, Item, List, Log, MeasuredQuantity, Number, Parsed, Place, Quantity as Q,
    Rule, Section, Text, Whole,
};
use crate::stand::{
    AirInput, AirInputs, BoardLimits, Channel, ChannelId, CurveRules, Drive, Drum, Engine, Guard,
    GuardAction, LoadCell, Losses, Pickup, Port, PullRules, Quantity, Shaft, Signal, Source, Stage,
    Stand, StandKind, Tyre, Watch,
};
use crate::units::{self, Kind, RPM_RAD_PER_S, nearest};

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
    let (rule, expected) = error
        .message()
        .split_once(", expected ")
        .unwrap_or((error.message(), "TOML"));
    let hint = rule
        .contains("must be quoted")
        .then(|| "a quantity is text: write it in quotes, \"300 mm\"".to_owned());
    let place = Place {
        key: "TOML".to_owned(),
        span: error.span().unwrap_or_default(),
    };
    log.report(&place, rule, Found::Here, expected, hint);
}

fn read_stand(root: Section<'_>) -> Option<Stand> {
    let (name, kind) = match root.required_section("stand", "stand") {
        Some(section) => stand_name_and_kind(section),
        None => (None, None),
    };
    let engine = engine(root.section("engine", "engine"));
    let port = root.required_section("port", "port").map(port);
    let board = board(root.section("board", "board"));
    let drum = root.optional_section("drum", "drum").map(drum);
    let pickups = pickups(&root);
    let drive = root.required_section("drive", "drive").map(drive);
    let losses = losses(root.section("losses", "losses"));
    let load_cell = root
        .optional_section("load_cell", "load_cell")
        .map(load_cell);
    let channels = Channels::read(&root);
    let guards = guards(&root, &channels, root.has("load_cell"));
    let air = root
        .required_section("air", "air")
        .map(|section| air(section, &channels));
    let curve = curve(root.section("curve", "curve"));
    let units = display_units(root.section("display", "display"));
    let store_folder = store_folder(root.section("store", "store"));
    let page_address = page_address(root.section("page", "page"));

    let engine_per_drum = drive
        .as_ref()
        .and_then(Option::as_ref)
        .map(|drive| drive.engine_per_drum);
    let cut_rad_per_s = lowest_engine_cut(guards.iter().flatten(), engine_per_drum);
    let pull = pull(root.section("pull", "pull"), cut_rad_per_s);

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
        channels: channels.into_channels()?,
        guards: guards.into_iter().collect::<Option<_>>()?,
        pull: pull?,
        air,
        correction,
        curve: curve?,
        units: units?,
        store_folder: store_folder?.into(),
        page_address: page_address?,
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
    section.finish();
    (name, kind)
}

fn engine(section: Section<'_>) -> Option<Engine> {
    let name = section.optional("name", &Text("140 cc single"));
    let displacement_m3 =
        section.optional("displacement", &Q(&units::VOLUME, Some(("1 cc", "30 L"))));
    section.finish();
    Some(Engine {
        name: name.unwrap_or_default(),
        displacement_m3,
    })
}

fn port(section: Section<'_>) -> Option<Port> {
    let path = section.required("path", &Text("/dev/ttyUSB0"));
    let baud = section.optional("baud", &Whole(9_600..=4_000_000));
    section.finish();
    Some(Port {
        path: path?.into(),
        baud: baud.unwrap_or(500_000),
    })
}

fn board(section: Section<'_>) -> Option<BoardLimits> {
    let timeout = section.optional(
        "heartbeat_timeout",
        &Q(&units::DURATION, Some(("50 ms", "2000 ms"))),
    );
    let short_periods_to_cut = section.optional("short_periods_to_cut", &Whole(1..=50));
    section.finish();
    let heartbeat_timeout_ms = u16::try_from(milliseconds(timeout.unwrap_or(0.25))).ok()?;
    Some(BoardLimits {
        heartbeat_timeout_ms,
        short_periods_to_cut: short_periods_to_cut.unwrap_or(3),
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

fn drum(section: Section<'_>) -> Option<Drum> {
    let inertia = section.optional(
        "inertia",
        &MeasuredQuantity(&units::INERTIA, ("1e-4 kg*m^2", "1e4 kg*m^2")),
    );
    if section.has("inertia") && !section.has("piece") {
        let outer_diameter =
            section.optional("outer_diameter", &Q(&units::LENGTH, Some(("10 mm", "5 m"))));
        section.finish();
        return Some(Drum {
            inertia_kg_m2: inertia?,
            pieces: Vec::new(),
            outer_radius_m: outer_diameter.map(|diameter| diameter / 2.0),
        });
    }

    let place = section.place().clone();
    let log = section.log();
    let pieces: Vec<Option<Piece>> = section
        .sections("piece", "drum.piece")
        .into_iter()
        .map(piece)
        .collect();
    if section.has("inertia") {
        let both = "either the measured inertia or the pieces, not both";
        log.report(
            &place,
            "the inertia is given twice",
            Found::Text("inertia and pieces"),
            both,
            None,
        );
    } else if !section.has("piece") {
        section.missing(
            "inertia",
            format!("{}, or a list [[drum.piece]]", units::INERTIA),
        );
    }
    section.finish();
    let pieces = pieces.into_iter().collect::<Option<Vec<Piece>>>()?;
    let sum = match inertia::drum(&pieces) {
        Ok(sum) => sum,
        Err(error) => {
            let expected = "pieces that make a drum";
            log.report(
                &place,
                error.to_string(),
                Found::Text("pieces that don't"),
                expected,
                None,
            );
            return None;
        }
    };
    let outer_radius_m = pieces
        .iter()
        .filter(|piece| !piece.removed)
        .map(outer_radius_m);
    Some(Drum {
        inertia_kg_m2: sum.total.inertia_kg_m2,
        pieces: sum.pieces,
        outer_radius_m: outer_radius_m.reduce(f64::max),
    })
}

/// Radius of the circle that the piece's outermost point runs on.
fn outer_radius_m(piece: &Piece) -> f64 {
    let own = match piece.shape {
        Shape::Cylinder { diameter_m, .. } | Shape::Sphere { diameter_m } => diameter_m.value / 2.0,
        Shape::Tube {
            outer_diameter_m, ..
        } => outer_diameter_m.value / 2.0,
        Shape::Plate {
            width_m, height_m, ..
        } => width_m.value.hypot(height_m.value) / 2.0,
        Shape::CrossBar {
            diameter_m,
            length_m,
        } => length_m.value.hypot(diameter_m.value) / 2.0,
        Shape::Point => 0.0,
    };
    piece.offset_m.value + own
}

#[derive(Clone, Copy)]
enum ShapeName {
    Cylinder,
    Tube,
    Plate,
    CrossBar,
    Sphere,
    Point,
}

fn piece(section: Section<'_>) -> Option<Piece> {
    const SHAPES: &[(&str, ShapeName)] = &[
        ("cylinder", ShapeName::Cylinder),
        ("tube", ShapeName::Tube),
        ("plate", ShapeName::Plate),
        ("cross bar", ShapeName::CrossBar),
        ("sphere", ShapeName::Sphere),
        ("point", ShapeName::Point),
    ];
    let size = |key| section.required(key, &MeasuredQuantity(&units::LENGTH, ("0.1 mm", "5 m")));
    let name = section.required("name", &Text("end plate"));
    let shape = section.required("shape", &Choice(SHAPES));
    let shape = shape.and_then(|shape| match shape {
        ShapeName::Cylinder => {
            let (diameter_m, length_m) = (size("diameter"), size("length"));
            Some(Shape::Cylinder {
                diameter_m: diameter_m?,
                length_m: length_m?,
            })
        }
        ShapeName::Tube => {
            let (outer, inner) = (size("outer_diameter"), size("inner_diameter"));
            let length_m = size("length");
            if let (Some(outer), Some(inner)) = (outer, inner)
                && inner.value >= outer.value
                && let Some(item) = section.item("inner_diameter")
            {
                item.fault("a tube has a wall", "less than the outer diameter", None);
                return None;
            }
            Some(Shape::Tube {
                outer_diameter_m: outer?,
                inner_diameter_m: inner?,
                length_m: length_m?,
            })
        }
        ShapeName::Plate => {
            let (width_m, height_m) = (size("width"), size("height"));
            let thickness_m = size("thickness");
            Some(Shape::Plate {
                width_m: width_m?,
                height_m: height_m?,
                thickness_m: thickness_m?,
            })
        }
        ShapeName::CrossBar => {
            let (diameter_m, length_m) = (size("diameter"), size("length"));
            Some(Shape::CrossBar {
                diameter_m: diameter_m?,
                length_m: length_m?,
            })
        }
        ShapeName::Sphere => Some(Shape::Sphere {
            diameter_m: size("diameter")?,
        }),
        ShapeName::Point => Some(Shape::Point),
    });
    if shape.is_none() {
        section.excuse_rest();
    }

    let mass = MeasuredQuantity(&units::MASS, ("0.1 g", "20000 kg"));
    let density = MeasuredQuantity(&units::DENSITY, ("100 kg/m^3", "23000 kg/m^3"));
    let amount = if section.has("mass") || matches!(shape, Some(Shape::Point)) {
        section.required("mass", &mass).map(Amount::Mass)
    } else {
        section.required("density", &density).map(Amount::Density)
    };
    let offset_m = section.optional("offset", &MeasuredQuantity(&units::LENGTH, ("0 mm", "5 m")));
    let count = section.optional("count", &Whole(1..=1000));
    let removed = section.optional("removed", &Flag);
    section.finish();
    Some(Piece {
        name: name?,
        shape: shape?,
        amount: amount?,
        offset_m: offset_m.unwrap_or(Measured::exact(0.0)),
        count: count.unwrap_or(1),
        removed: removed.unwrap_or(false),
    })
}

const SHAFTS: &[(&str, Shaft)] = &[("drum", Shaft::Drum), ("engine", Shaft::Engine)];

fn pickups(root: &Section<'_>) -> Option<Vec<Pickup>> {
    let sections = root.sections("pickup", "pickup");
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
            section.finish();
            Some(Pickup {
                channel: channel?,
                shaft: shaft?,
                teeth: teeth?,
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
    } else {
        let ratio = section.required("ratio", &MeasuredQuantity(&units::RATIO, ("0.1", "100")));
        ratio.map(|ratio| (ratio, Vec::new()))
    };
    let tyre_section = section.optional_section("tyre", "drive.tyre");
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
    })
}

const STAGE: &str = "tooth counts \"driven/driving\" such as \"41/15\", 1 to 400 each";

fn stage(text: &str) -> Result<Stage, (String, Option<String>)> {
    let teeth = |count: &str| {
        count
            .trim()
            .parse::<u16>()
            .ok()
            .filter(|n| (1..=400).contains(n))
    };
    text.split_once('/')
        .and_then(|(driven, driving)| {
            Some(Stage {
                driven_teeth: teeth(driven)?,
                driving_teeth: teeth(driving)?,
            })
        })
        .ok_or_else(|| ("these are no two tooth counts".to_owned(), None))
}

fn tyre(section: Section<'_>) -> Option<Tyre> {
    let length = |key| section.required(key, &MeasuredQuantity(&units::LENGTH, ("10 mm", "10 m")));
    let rolling_circumference_m = length("rolling_circumference");
    let drum_diameter_m = length("drum_diameter");
    section.finish();
    Some(Tyre {
        rolling_circumference_m: rolling_circumference_m?,
        drum_diameter_m: drum_diameter_m?,
    })
}

fn losses(section: Section<'_>) -> Option<Losses> {
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
    section.finish();
    Some(Losses {
        constant_nm: constant.unwrap_or(0.0),
        linear_nm_s_per_rad: linear.unwrap_or(0.0),
        quadratic_nm_s2_per_rad2: quadratic.unwrap_or(0.0),
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
    section.finish();
    Some(LoadCell {
        channel: channel?,
        newton_per_count: newton_per_count?,
        zero_counts: zero_counts?,
        arm_m: arm_m?,
        sign: sign.unwrap_or(1.0),
        shaft: shaft?,
    })
}

enum ForceScale {
    Newton(Measured),
    Kilogram(Measured),
}

struct LoadCellScale;

impl Rule for LoadCellScale {
    type Value = ForceScale;

    fn read(&self, item: &Item<'_>) -> Option<ForceScale> {
        let text = item.text().unwrap_or_default();
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

/// The channels as far as they could be read, so that what refers to them can be checked.
struct Channels {
    names: Vec<Option<String>>,
    quantities: Vec<Option<Quantity>>,
    channels: Vec<Option<Channel>>,
}

/// Names that guards use for what is no channel.
const OTHER_SIGNALS: &[(&str, Signal)] = &[
    ("drum speed", Signal::Speed(Shaft::Drum)),
    ("engine speed", Signal::Speed(Shaft::Engine)),
    ("load cell", Signal::LoadCell),
    ("board", Signal::Board),
];

impl Channels {
    fn read(root: &Section<'_>) -> Self {
        let sections = root.sections("channel", "channel");
        let mut names_seen = Unique::new("two channels can't share a name", "a name of its own");
        let names = sections
            .iter()
            .map(|section| {
                let name = section.required("name", &Text("cylinder head"));
                names_seen.check(name.clone(), section.item("name"));
                if OTHER_SIGNALS
                    .iter()
                    .any(|(other, _)| name.as_deref() == Some(other))
                    && let Some(item) = section.item("name")
                {
                    item.fault("this name stands for something else", "another name", None);
                }
                name
            })
            .collect();
        let mut channels = Self {
            names,
            quantities: Vec::new(),
            channels: Vec::new(),
        };
        let mut sources = Unique::new("two channels can't share a source", "a source of its own");
        for (section, name) in sections.into_iter().zip(channels.names.clone()) {
            let (channel, quantity) = channels.read_one(section, name, &mut sources);
            channels.channels.push(channel);
            channels.quantities.push(quantity);
        }
        channels
    }

    fn read_one(
        &self,
        section: Section<'_>,
        name: Option<String>,
        sources: &mut Unique<Source>,
    ) -> (Option<Channel>, Option<Quantity>) {
        let source = section.required(
            "source",
            &Parsed {
                expected: SOURCE,
                parse: source,
            },
        );
        sources.check(source, section.item("source"));
        let law = section.required("law", &Choice(LAWS));
        let (quantity, law_read, cold_junction) = match law {
            None => {
                section.excuse_rest();
                (None, None, Some(None))
            }
            Some(LawName::Linear) => match linear(&section) {
                Some((quantity, law)) => (Some(quantity), law, Some(None)),
                None => (None, None, Some(None)),
            },
            Some(other) => {
                let cold_junction = if matches!(other, LawName::ThermocoupleK) {
                    section.required("cold_junction", &self.named()).map(Some)
                } else {
                    Some(None)
                };
                (
                    Some(Quantity::Temperature),
                    temperature_law(&section, other),
                    cold_junction,
                )
            }
        };
        let expected_si = quantity.map_or_else(
            || {
                section.item("expected");
                Some(None)
            },
            |quantity| expected_range(&section, quantity),
        );
        section.finish();
        let channel = (|| {
            Some(Channel {
                name: name?,
                source: source?,
                law: law_read?,
                cold_junction: cold_junction?,
                quantity: quantity?,
                expected_si: expected_si?,
            })
        })();
        (channel, quantity)
    }

    /// The rule for a key that names a channel.
    fn named(&self) -> impl Rule<Value = ChannelId> {
        Parsed {
            expected: "the name of a [[channel]]",
            parse: |text: &str| {
                self.find(text).ok_or_else(|| {
                    let names = self.names.iter().flatten().map(String::as_str);
                    (
                        "there is no such channel".to_owned(),
                        did_you_mean(text, names),
                    )
                })
            },
        }
    }

    fn find(&self, name: &str) -> Option<ChannelId> {
        self.names
            .iter()
            .position(|known| known.as_deref() == Some(name))
            .map(ChannelId)
    }

    fn quantity(&self, id: ChannelId) -> Option<Quantity> {
        self.quantities.get(id.0).copied().flatten()
    }

    fn into_channels(self) -> Option<Vec<Channel>> {
        self.channels.into_iter().collect()
    }
}

fn did_you_mean<'n>(word: &str, known: impl IntoIterator<Item = &'n str>) -> Option<String> {
    nearest(word, known).map(|known| format!("did you mean \"{known}\"?"))
}

const SOURCE: &str = "\"analog N\" or \"temperature N\", N from 0 to 255";

fn source(text: &str) -> Result<Source, (String, Option<String>)> {
    let parsed = text.split_once(' ').and_then(|(kind, number)| {
        let number = number.trim().parse().ok()?;
        match kind {
            "analog" => Some(Source::Analog(number)),
            "temperature" => Some(Source::Temperature(number)),
            _ => None,
        }
    });
    parsed.ok_or_else(|| ("this is no input of the board".to_owned(), None))
}

#[derive(Clone, Copy)]
enum LawName {
    Linear,
    ThermocoupleK,
    Pt100,
    Pt1000,
    Ntc,
}

const LAWS: &[(&str, LawName)] = &[
    ("linear", LawName::Linear),
    ("thermocouple k", LawName::ThermocoupleK),
    ("pt100", LawName::Pt100),
    ("pt1000", LawName::Pt1000),
    ("ntc", LawName::Ntc),
];

/// A linear law with the quantity that its scale is in.
fn linear(section: &Section<'_>) -> Option<(Quantity, Option<Law>)> {
    let Some((per_count, quantity)) = section.required("per_count", &LinearScale) else {
        section.item("at_zero");
        return None;
    };
    let at_zero = Q(&quantity.kind(), None);
    let at_zero = if quantity == Quantity::Temperature {
        // 0 K would be a wrong guess; there is no good one.
        section.required("at_zero", &at_zero)
    } else if section.has("at_zero") {
        section.optional("at_zero", &at_zero)
    } else {
        section.item("at_zero");
        Some(0.0)
    };
    Some((
        quantity,
        at_zero.map(|at_zero| Law::Linear { per_count, at_zero }),
    ))
}

/// The scale of a linear channel: its unit tells what the channel measures.
struct LinearScale;

impl Rule for LinearScale {
    type Value = (f64, Quantity);

    fn read(&self, item: &Item<'_>) -> Option<Self::Value> {
        let text = item.text().unwrap_or_default();
        let (per_count, dimension, unit) = match units::any_quantity(text) {
            Ok(read) => read,
            Err(error) => {
                item.fault(error.to_string(), self.expected(), None);
                return None;
            }
        };
        let quantity = Quantity::ALL
            .iter()
            .filter(|quantity| quantity.kind().dimension.per_count() == dimension)
            .find(|quantity| (**quantity == Quantity::Fraction) == unit.contains('%'));
        match quantity {
            Some(_) if per_count == 0.0 => {
                item.fault("this can't be 0", self.expected(), None);
                None
            }
            Some(quantity) => Some((per_count, *quantity)),
            None => {
                let rule = format!("\"{unit}\" is no unit per count of anything measured here");
                item.fault(rule, self.expected(), None);
                None
            }
        }
    }

    fn expected(&self) -> String {
        "a scale per count such as \"0.05 kPa/count\", \"0.25 degC/count\" or \"0.001 1/count\""
            .to_owned()
    }
}

fn temperature_law(section: &Section<'_>, law: LawName) -> Option<Law> {
    let platinum = |r0_ohm| {
        let per_count = Q(
            &units::RESISTANCE_PER_COUNT,
            Some(("1e-9 ohm/count", "1000 ohm/count")),
        );
        let ohm_per_count = section.required("per_count", &per_count);
        let ohm_at_zero = section
            .item("at_zero")
            .map_or(Some(0.0), |item| item.read(&Q(&units::RESISTANCE, None)));
        Some(Law::Platinum {
            r0_ohm,
            ohm_per_count: ohm_per_count?,
            ohm_at_zero: ohm_at_zero?,
        })
    };
    match law {
        LawName::Linear => None,
        LawName::ThermocoupleK => {
            let per_count = Q(
                &units::VOLTAGE_PER_COUNT,
                Some(("1e-9 V/count", "1 V/count")),
            );
            let volt_per_count = section.required("per_count", &per_count);
            let volt_at_zero = section
                .item("at_zero")
                .map_or(Some(0.0), |item| item.read(&Q(&units::VOLTAGE, None)));
            Some(Law::ThermocoupleK {
                volt_per_count: volt_per_count?,
                volt_at_zero: volt_at_zero?,
            })
        }
        LawName::Pt100 => platinum(100.0),
        LawName::Pt1000 => platinum(1000.0),
        LawName::Ntc => ntc(section),
    }
}

fn ntc(section: &Section<'_>) -> Option<Law> {
    const SIDES: &[(&str, NtcSide)] = &[("ground", NtcSide::Ground), ("supply", NtcSide::Supply)];
    let resistance = Q(&units::RESISTANCE, Some(("1 ohm", "10 Mohm")));
    let curve = if section.has("steinhart_hart") {
        section
            .required("steinhart_hart", &SteinhartHartRule)
            .map(NtcCurve::SteinhartHart)
    } else {
        let beta_k = section.required("beta", &Q(&BETA, Some(("500 K", "10000 K"))));
        let r25_ohm = section.required("r25", &resistance);
        beta_k
            .zip(r25_ohm)
            .map(|(beta_k, r25_ohm)| NtcCurve::Beta { r25_ohm, beta_k })
    };
    let fixed_ohm = section.required("fixed_resistor", &resistance);
    let full_scale_counts = section.required("full_scale_counts", &Number(2.0..=2_147_483_647.0));
    let ntc = section.required("ntc_side", &Choice(SIDES));
    let divider = Divider {
        fixed_ohm: fixed_ohm?,
        full_scale_counts: full_scale_counts?,
        ntc: ntc?,
    };
    Some(Law::Ntc {
        divider,
        curve: curve?,
    })
}

/// The B constant is a difference on the kelvin scale, so degC would be wrong.
const BETA: Kind = Kind {
    noun: "the thermistor's B constant",
    example: "3950 K",
    ..units::TEMPERATURE
};

struct SteinhartHartRule;

impl Rule for SteinhartHartRule {
    type Value = SteinhartHart;

    fn read(&self, item: &Item<'_>) -> Option<SteinhartHart> {
        match List(Number(-1.0..=1.0)).read(item)?.as_slice() {
            [a, b, c] => Some(SteinhartHart {
                a: *a,
                b: *b,
                c: *c,
            }),
            _ => {
                item.fault("there are three coefficients", self.expected(), None);
                None
            }
        }
    }

    fn expected(&self) -> String {
        "the coefficients [A, B, C] for T in K and R in ohm".to_owned()
    }
}

/// `expected = ["-20 degC", "250 degC"]`
fn expected_range(section: &Section<'_>, quantity: Quantity) -> Option<Option<(f64, f64)>> {
    let Some(item) = section.item("expected") else {
        return Some(None);
    };
    let kind = quantity.kind();
    match item.read(&List(Q(&kind, None)))?.as_slice() {
        [min, max] if min < max => Some(Some((*min, *max))),
        _ => {
            let expected = format!("the smallest and the largest, each {kind}");
            item.fault("this is a range", expected, None);
            None
        }
    }
}

#[derive(Clone, Copy, PartialEq)]
enum GuardKind {
    Overspeed,
    OverTemperature,
    SensorLost,
    StaleData,
    Above,
    Below,
    RateOfRise,
}

const GUARD_KINDS: &[(&str, GuardKind)] = &[
    ("overspeed", GuardKind::Overspeed),
    ("over-temperature", GuardKind::OverTemperature),
    ("sensor lost", GuardKind::SensorLost),
    ("stale data", GuardKind::StaleData),
    ("above", GuardKind::Above),
    ("below", GuardKind::Below),
    ("rate of rise", GuardKind::RateOfRise),
];

fn guards(root: &Section<'_>, channels: &Channels, has_load_cell: bool) -> Vec<Option<Guard>> {
    let mut names = Unique::new(
        "two guards can't share a name (without one, kind and signal make it)",
        "a name of its own",
    );
    let mut overspeed_cut = false;
    let guards: Vec<Option<Guard>> = root
        .sections("guard", "guard")
        .into_iter()
        .map(|section| {
            let reader = GuardReader {
                section: &section,
                channels,
                has_load_cell,
            };
            let (guard, may_cut_overspeed) = reader.read();
            overspeed_cut |= may_cut_overspeed;
            if let Some(guard) = &guard {
                let item = section.item("name").or_else(|| section.item("kind"));
                names.check(Some(guard.name.clone()), item);
            }
            section.finish();
            guard
        })
        .collect();
    if !overspeed_cut {
        let place = Place {
            key: "guard".to_owned(),
            span: 0..0,
        };
        root.log().report(
            &place,
            "a stand needs a guard that cuts on overspeed",
            Found::Text("none"),
            "a [[guard]] with kind = \"overspeed\", on = \"drum speed\", limit and action = \"cut\"",
            None,
        );
    }
    guards
}

struct GuardReader<'s, 'a> {
    section: &'s Section<'a>,
    channels: &'s Channels,
    has_load_cell: bool,
}

impl GuardReader<'_, '_> {
    /// The guard, and whether it cuts on overspeed, may be once its mistakes are mended.
    fn read(&self) -> (Option<Guard>, bool) {
        const ACTIONS: &[(&str, GuardAction)] =
            &[("warn", GuardAction::Warn), ("cut", GuardAction::Cut)];
        let section = self.section;
        let kind = section.required("kind", &Choice(GUARD_KINDS));
        let action = section.required("action", &Choice(ACTIONS));
        let name = section
            .item("name")
            .map(|item| item.read(&Text("drum too fast")));
        let signal = section.required("on", &self.signal_rule());
        let cuts_on_overspeed =
            matches!(kind, None | Some(GuardKind::Overspeed)) && action != Some(GuardAction::Warn);
        // Waiting to see whether it is really too fast is how drums burst.
        let debounce_max = if cuts_on_overspeed && kind.is_some() {
            "100 ms"
        } else {
            "60 s"
        };
        let debounce = section.item("debounce").map_or(Some(0.0), |item| {
            item.read(&Q(&units::DURATION, Some(("0 ms", debounce_max))))
        });
        let watch = match kind {
            Some(kind) => self.watch(kind, signal),
            None => {
                section.excuse_rest();
                None
            }
        };
        let guard = (|| {
            let default_name = || Some(self.default_name(kind?, signal?));
            Some(Guard {
                name: name.unwrap_or_else(default_name)?,
                watch: watch?,
                action: action?,
                debounce_ms: milliseconds(debounce?),
            })
        })();
        (guard, cuts_on_overspeed)
    }

    fn default_name(&self, kind: GuardKind, signal: Signal) -> String {
        let kind = GUARD_KINDS
            .iter()
            .find(|(_, known)| *known == kind)
            .map_or("", |(word, _)| word);
        let other = OTHER_SIGNALS.iter().find(|(_, known)| *known == signal);
        let signal = match (signal, other) {
            (Signal::Channel(ChannelId(index)), _) => self
                .channels
                .names
                .get(index)
                .and_then(Option::as_deref)
                .unwrap_or("channel"),
            (_, Some((word, _))) => word,
            (_, None) => "signal",
        };
        format!("{kind}: {signal}")
    }

    fn signal_rule(&self) -> impl Rule<Value = Signal> {
        Parsed {
            expected: "\"drum speed\", \"engine speed\", \"load cell\", \"board\" or the name of a [[channel]]",
            parse: |text: &str| {
                if let Some((_, signal)) = OTHER_SIGNALS.iter().find(|(word, _)| *word == text) {
                    return match signal {
                        Signal::LoadCell if !self.has_load_cell => {
                            Err(("this stand has no [load_cell]".to_owned(), None))
                        }
                        known => Ok(*known),
                    };
                }
                self.channels
                    .find(text)
                    .map(Signal::Channel)
                    .ok_or_else(|| {
                        let names = self.channels.names.iter().flatten().map(String::as_str);
                        let all = OTHER_SIGNALS.iter().map(|(word, _)| *word).chain(names);
                        (
                            "there is no such signal".to_owned(),
                            did_you_mean(text, all),
                        )
                    })
            },
        }
    }

    /// The kind of quantity that a signal carries; nothing for the board as a whole.
    fn kind_of(&self, signal: Signal) -> Option<Kind> {
        match signal {
            Signal::Speed(_) => Some(units::ROTATION),
            Signal::LoadCell => Some(units::FORCE),
            Signal::Board => None,
            Signal::Channel(id) => self.channels.quantity(id).map(Quantity::kind),
        }
    }

    fn watch(&self, kind: GuardKind, signal: Option<Signal>) -> Option<Watch> {
        let Some(signal) = signal else {
            self.section.item("limit");
            return None;
        };
        let limit = |kind: &Kind, bounds| self.section.required("limit", &Q(kind, bounds));
        match kind {
            GuardKind::Overspeed => {
                let bounds = Some(("10 rpm", "30000 rpm"));
                let limit_rad_per_s = limit(&units::ROTATION, bounds);
                let Signal::Speed(shaft) = signal else {
                    return self.wrong_signal("\"drum speed\" or \"engine speed\"");
                };
                Some(Watch::Overspeed {
                    shaft,
                    limit_rad_per_s: limit_rad_per_s?,
                })
            }
            GuardKind::OverTemperature => {
                let limit_k = limit(&units::TEMPERATURE, Some(("-50 degC", "1400 degC")));
                let channel = match signal {
                    Signal::Channel(id) => match self.channels.quantity(id) {
                        Some(Quantity::Temperature) => id,
                        // Its channel has a mistake of its own.
                        None => return None,
                        Some(_) => return self.wrong_signal(TEMPERATURE_CHANNEL),
                    },
                    _ => return self.wrong_signal(TEMPERATURE_CHANNEL),
                };
                Some(Watch::OverTemperature {
                    channel,
                    limit_k: limit_k?,
                })
            }
            GuardKind::SensorLost => match signal {
                Signal::Board => self.wrong_signal("a speed, the load cell or a channel"),
                signal => Some(Watch::SensorLost { signal }),
            },
            GuardKind::StaleData => {
                let age = limit(&units::DURATION, Some(("10 ms", "60 s")))?;
                Some(Watch::StaleData {
                    signal,
                    age_ms_max: milliseconds(age),
                })
            }
            GuardKind::Above | GuardKind::Below | GuardKind::RateOfRise => {
                if signal == Signal::Board {
                    self.section.item("limit");
                    return self.wrong_signal("a speed, the load cell or a channel");
                }
                let Some(of_signal) = self.kind_of(signal) else {
                    self.section.item("limit");
                    return None;
                };
                match kind {
                    GuardKind::Above => Some(Watch::Above {
                        signal,
                        limit_si: limit(&of_signal, None)?,
                    }),
                    GuardKind::Below => Some(Watch::Below {
                        signal,
                        limit_si: limit(&of_signal, None)?,
                    }),
                    _ => {
                        let limit_si_per_s = limit(&of_signal.per_second(), None)?;
                        Some(Watch::RateOfRise {
                            signal,
                            limit_si_per_s,
                        })
                    }
                }
            }
        }
    }

    fn wrong_signal(&self, expected: &str) -> Option<Watch> {
        if let Some(item) = self.section.item("on") {
            item.fault("this kind of guard can't watch that", expected, None);
        }
        None
    }
}

const TEMPERATURE_CHANNEL: &str = "a channel that measures a temperature";

/// Engine speed at which the first cutting overspeed guard acts.
fn lowest_engine_cut<'g>(
    guards: impl Iterator<Item = &'g Guard>,
    engine_per_drum: Option<Measured>,
) -> Option<f64> {
    let cuts = guards
        .filter(|guard| guard.action == GuardAction::Cut)
        .filter_map(|guard| match guard.watch {
            Watch::Overspeed {
                shaft: Shaft::Engine,
                limit_rad_per_s,
            } => Some(limit_rad_per_s),
            Watch::Overspeed {
                shaft: Shaft::Drum,
                limit_rad_per_s,
            } => engine_per_drum.map(|ratio| limit_rad_per_s * ratio.value),
            _ => None,
        });
    cuts.min_by(f64::total_cmp)
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
            expected: CORRECTIONS,
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

const CORRECTIONS: &str = "\"none\", \"iso1585\", \"iso1585-ci-na:FUEL\", \"iso1585-ci-turbo:FUEL\", \
                           \"j1349\", \"din70020\" or \"j607\"";

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
const PAGE_ADDRESS: SocketAddr =
    SocketAddr::V4(std::net::SocketAddrV4::new(Ipv4Addr::LOCALHOST, 7340));

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
