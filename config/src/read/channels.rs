//! `[[channel]]`: the board's inputs and the laws of the sensors on them.

use leverarm_torque::engine::Role;
use leverarm_torque::sensor::{Divider, Law, NtcCurve, NtcSide, SteinhartHart};

use super::Unique;
use super::roles;
use crate::reader::{
    Choice, Item, List, Number, Parsed, Quantity as Q, Rule, Section, Text, did_you_mean,
};
use crate::stand::{Channel, ChannelId, Pickup, Quantity, Shaft, Signal, Source};
use crate::units::{self, Form, Kind};

/// The channels as far as they could be read, so that what refers to them can be checked.
pub(super) struct Channels {
    pub(super) names: Vec<Option<String>>,
    quantities: Vec<Option<Quantity>>,
    channels: Vec<Option<Channel>>,
}

/// Names that guards use for what is no channel.
pub(super) const OTHER_SIGNALS: &[(&str, Signal)] = &[
    ("drum speed", Signal::Speed(Shaft::Drum)),
    ("engine speed", Signal::Speed(Shaft::Engine)),
    ("load cell", Signal::LoadCell),
    ("board", Signal::Board),
];

impl Channels {
    pub(super) fn read(root: &Section<'_>) -> Self {
        let sections = root.sections("channel");
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
        let mut roles = Unique::new(
            "two channels can't measure the same of the engine",
            "one of its own (exhaust temperatures tell their cylinder)",
        );
        let mut references = Vec::new();
        for (section, name) in sections.into_iter().zip(channels.names.clone()) {
            references.push(section.peek("cold_junction"));
            let (channel, quantity) = channels.read_one(section, name, &mut sources, &mut roles);
            channels.channels.push(channel);
            channels.quantities.push(quantity);
        }
        for (channel, reference) in channels.channels.iter().zip(references) {
            if let Some(channel) = channel {
                channels.check_cold_junction(channel, reference);
            }
        }
        channels
    }

    /// A pickup's teeth are no pulses of a meter.
    pub(super) fn check_pulses(&self, root: &Section<'_>, pickups: &[Pickup]) {
        if self.channels.iter().any(Option::is_none) {
            return; // their mistakes come first
        }
        for (channel, section) in self.channels.iter().flatten().zip(root.sections("channel")) {
            if let Source::Pulses(number) = channel.source
                && pickups.iter().any(|pickup| pickup.channel == number)
                && let Some(item) = section.item("source")
            {
                item.fault("a [[pickup]] has this input", "an input of its own", None);
            }
        }
    }

    /// Cold junctions may be listed after their thermocouples, so this comes last.
    fn check_cold_junction(&self, channel: &Channel, reference: Option<Item<'_>>) {
        let cold = channel
            .cold_junction
            .and_then(|id| self.channels.get(id.0)?.as_ref());
        if let (Some(cold), Some(item)) = (cold, reference)
            && (cold.quantity != Quantity::Temperature || cold.law.needs_cold_junction())
        {
            let expected = "a channel that measures a temperature without a cold junction";
            item.fault("this channel can't be a cold junction", expected, None);
        }
    }

    fn read_one(
        &self,
        section: Section<'_>,
        name: Option<String>,
        sources: &mut Unique<Source>,
        roles: &mut Unique<Role>,
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
        let mut meter = None;
        let (quantity, law_read, cold_junction) = match law {
            None => {
                section.excuse_rest();
                (None, None, Some(None))
            }
            Some(LawName::Linear) => match linear(&section) {
                Some((quantity, law)) => (Some(quantity), law, Some(None)),
                None => (None, None, Some(None)),
            },
            Some(LawName::Pulses) => match roles::pulses(&section) {
                Some((quantity, law)) => (Some(quantity), Some(law), Some(None)),
                None => (None, None, Some(None)),
            },
            Some(LawName::Thermal) => {
                let law = roles::thermal(&section);
                (Some(Quantity::MassFlow), law, Some(None))
            }
            Some(name @ (LawName::Orifice | LawName::Nozzle)) => {
                let read = roles::difference(&section, matches!(name, LawName::Orifice));
                meter = read.map(|(_, meter)| meter);
                let law = read.map(|(law, _)| law);
                (Some(Quantity::Pressure), law, Some(None))
            }
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
        let uncertainty_si = uncertainty(&section, quantity);
        let has_meter = matches!(law, Some(LawName::Orifice | LawName::Nozzle));
        let telling = roles::telling(&section, quantity, has_meter, roles);
        check_source(&section, source, law);
        section.finish();
        let channel = (|| {
            Some(Channel {
                name: name?,
                source: source?,
                law: law_read?,
                cold_junction: cold_junction?,
                quantity: quantity?,
                expected_si: expected_si?,
                uncertainty_si: uncertainty_si?,
                role: telling.as_ref()?.role,
                delay: telling.as_ref()?.delay,
                settling_m3: telling.as_ref()?.settling_m3,
                meter,
            })
        })();
        (channel, quantity)
    }

    /// The rule for a key that names a channel.
    pub(super) fn named(&self) -> impl Rule<Value = ChannelId> {
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

    pub(super) fn find(&self, name: &str) -> Option<ChannelId> {
        self.names
            .iter()
            .position(|known| known.as_deref() == Some(name))
            .map(ChannelId)
    }

    pub(super) fn quantity(&self, id: ChannelId) -> Option<Quantity> {
        self.quantities.get(id.0).copied().flatten()
    }

    pub(super) fn into_channels(self) -> Option<Vec<Channel>> {
        self.channels.into_iter().collect()
    }
}

const SOURCE: &str = "\"analog N\", \"temperature N\" or \"pulses N\", N from 0 to 255";

/// Pulses are counted, and only pulses.
fn check_source(section: &Section<'_>, source: Option<Source>, law: Option<LawName>) {
    let (Some(source), Some(law), Some(item)) = (source, law, section.item("law")) else {
        return;
    };
    let counts = matches!(source, Source::Pulses(_));
    if counts != matches!(law, LawName::Pulses) {
        let expected = if counts {
            "law = \"pulses\", as the source is one of pulses"
        } else {
            "a source = \"pulses N\" for this law"
        };
        item.fault("law and source don't go together", expected, None);
    }
}

fn source(text: &str) -> Result<Source, (String, Option<String>)> {
    let parsed = text.split_once(' ').and_then(|(kind, number)| {
        let number = number.trim().parse().ok()?;
        match kind {
            "analog" => Some(Source::Analog(number)),
            "temperature" => Some(Source::Temperature(number)),
            "pulses" => Some(Source::Pulses(number)),
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
    Pulses,
    Thermal,
    Orifice,
    Nozzle,
}

const LAWS: &[(&str, LawName)] = &[
    ("linear", LawName::Linear),
    ("thermocouple k", LawName::ThermocoupleK),
    ("pt100", LawName::Pt100),
    ("pt1000", LawName::Pt1000),
    ("ntc", LawName::Ntc),
    ("pulses", LawName::Pulses),
    ("thermal meter", LawName::Thermal),
    ("orifice", LawName::Orifice),
    ("nozzle", LawName::Nozzle),
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
        let text = item.quantity_text(|| self.expected())?;
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
        LawName::Linear
        | LawName::Pulses
        | LawName::Thermal
        | LawName::Orifice
        | LawName::Nozzle => None,
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

/// A difference of temperatures, unlike [`units::TEMPERATURE`].
const BETA: Kind = Kind {
    noun: "the thermistor's B constant",
    example: "3950 K",
    form: Form::Amount,
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

/// `uncertainty = "0.5 K"`: a difference, also where the quantity is a point on a scale.
fn uncertainty(section: &Section<'_>, quantity: Option<Quantity>) -> Option<f64> {
    let (Some(item), Some(quantity)) = (section.item("uncertainty"), quantity) else {
        return Some(0.0);
    };
    let mut kind = quantity.kind();
    if kind.form == Form::Point {
        kind.form = Form::Amount;
    }
    let found = item.read(&Q(&kind, None))?;
    if found < 0.0 {
        item.fault(
            "an uncertainty is not negative",
            format!("{kind} or 0"),
            None,
        );
        return None;
    }
    Some(found)
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
