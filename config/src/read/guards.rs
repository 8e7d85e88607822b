//! `[[guard]]`.

use super::channels::{Channels, OTHER_SIGNALS};
use super::{Unique, milliseconds};
use crate::reader::{
    Choice, Found, List, Pair, Parsed, Place, Quantity as Q, Rule, Section, Text, did_you_mean,
};
use crate::stand::{ChannelId, Guard, GuardAction, Quantity, Signal, Watch, WhenLost};
use crate::units::{self, Kind};

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

pub(super) fn guards(
    root: &Section<'_>,
    channels: &Channels,
    has_load_cell: bool,
) -> Vec<Option<Guard>> {
    let mut names = Unique::new(
        "two guards can't share a name (without one, kind and signal make it)",
        "a name of its own",
    );
    let mut overspeed_cut = false;
    let guards: Vec<Option<Guard>> = root
        .sections("guard")
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
        let while_pulling = section.item("while").map_or(Some(None), |item| {
            item.read(&Choice(&[("pulling", ())])).map(Some)
        });
        let by_speed = self.limit_by_speed(kind, signal);
        if cuts_on_overspeed
            && kind.is_some()
            && let Some(item) = section.item("while")
        {
            item.fault("a cut on overspeed holds always", "no such key here", None);
        }
        let when_lost = self.when_lost(kind, signal, action);
        let watch = match kind {
            Some(kind) => self.watch(kind, signal, by_speed.as_deref().unwrap_or_default()),
            None => {
                section.excuse_rest();
                None
            }
        };
        let guard = (|| {
            let default_name = || Some(self.default_name(kind?, signal?));
            Some(Guard {
                while_pulling: while_pulling?.is_some(),
                limit_by_speed: by_speed?,
                name: name.unwrap_or_else(default_name)?,
                watch: watch?,
                action: action?,
                when_lost: when_lost?,
                debounce_ms: milliseconds(debounce?),
            })
        })();
        (guard, cuts_on_overspeed)
    }

    /// A guard that can't see cuts, unless the file says why a warning is enough.
    fn when_lost(
        &self,
        kind: Option<GuardKind>,
        signal: Option<Signal>,
        action: Option<GuardAction>,
    ) -> Option<WhenLost> {
        let item = self.section.item("when_lost");
        let (Some(kind), Some(signal), Some(action)) = (kind, signal, action) else {
            return Some(WhenLost::Nothing); // its mistakes are told
        };
        let has_limit = matches!(
            kind,
            GuardKind::OverTemperature
                | GuardKind::Above
                | GuardKind::Below
                | GuardKind::RateOfRise
        );
        let is_sensor = matches!(signal, Signal::Channel(_) | Signal::LoadCell);
        match item {
            None if has_limit && is_sensor && action == GuardAction::Cut => Some(WhenLost::Cut),
            None => Some(WhenLost::Nothing),
            Some(_) if !(has_limit && is_sensor && action == GuardAction::Cut) => {
                item?.fault(
                    "only a guard that cuts at a limit of a channel or the load cell has to say what \
                     it does when that is lost",
                    "no such key here; a guard of kind \"sensor lost\" watches everything else",
                    None,
                );
                None
            }
            Some(item) => item.read(&Parsed {
                expected: WHEN_LOST,
                parse: |text: &str| {
                    if text == "cut" {
                        return Ok(WhenLost::Cut);
                    }
                    let why = text.strip_prefix("warn").map(|rest| rest.trim_start());
                    let why = why.and_then(|rest| rest.strip_prefix(':')).map(str::trim);
                    match why.filter(|why| why.split_whitespace().count() > 1) {
                        Some(why) => Ok(WhenLost::Warn(why.to_owned())),
                        None if text.starts_with("warn") => Err((
                            "a guard that can't see and only warns needs a reason".to_owned(),
                            None,
                        )),
                        None => Err((
                            "this is not what a guard can do".to_owned(),
                            did_you_mean(text, ["cut", "warn: why"]),
                        )),
                    }
                },
            }),
        }
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
        format!("{kind} ({signal})")
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

    /// `limit_by_speed = [["2000 rpm", "0.8 bar"], …]` in place of `limit`; empty without it.
    fn limit_by_speed(
        &self,
        kind: Option<GuardKind>,
        signal: Option<Signal>,
    ) -> Option<Vec<(f64, f64)>> {
        if !matches!(kind, Some(GuardKind::Above | GuardKind::Below)) {
            return Some(Vec::new());
        }
        let Some(item) = self.section.item("limit_by_speed") else {
            return Some(Vec::new());
        };
        let of_signal = self.kind_of(signal?)?;
        let speed = Q(&units::ROTATION, Some(("0 rpm", "30000 rpm")));
        let points = item.read(&List(Pair(speed, Q(&of_signal, None))))?;
        let rise = points.windows(2).all(|pair| match pair {
            [a, b] => a.0 < b.0,
            _ => true,
        });
        if !rise {
            item.fault(
                "the speeds have to rise",
                "the lowest engine speed first",
                None,
            );
            return None;
        }
        Some(points)
    }

    fn watch(
        &self,
        kind: GuardKind,
        signal: Option<Signal>,
        by_speed: &[(f64, f64)],
    ) -> Option<Watch> {
        let limit = |kind: &Kind, bounds| self.section.required("limit", &Q(kind, bounds));
        match kind {
            GuardKind::Overspeed => {
                let shaft = match signal {
                    Some(Signal::Speed(shaft)) => Some(shaft),
                    Some(_) => return self.wrong_signal("\"drum speed\" or \"engine speed\""),
                    None => None,
                };
                let limit_rad_per_s = limit(&units::ROTATION, Some(("10 rpm", "30000 rpm")));
                Some(Watch::Overspeed {
                    shaft: shaft?,
                    limit_rad_per_s: limit_rad_per_s?,
                })
            }
            GuardKind::OverTemperature => {
                let channel = match signal {
                    // A channel whose quantity is unclear has a mistake of its own.
                    Some(Signal::Channel(id)) => match self.channels.quantity(id) {
                        None | Some(Quantity::Temperature) => Some(id),
                        Some(_) => return self.wrong_signal(TEMPERATURE_CHANNEL),
                    },
                    Some(_) => return self.wrong_signal(TEMPERATURE_CHANNEL),
                    None => None,
                };
                let limit_k = limit(&units::TEMPERATURE, Some(("-50 degC", "1400 degC")));
                Some(Watch::OverTemperature {
                    channel: channel?,
                    limit_k: limit_k?,
                })
            }
            GuardKind::SensorLost => match signal? {
                Signal::Board => self.wrong_signal(NOT_BOARD),
                signal => Some(Watch::SensorLost { signal }),
            },
            GuardKind::StaleData => {
                let age_s = limit(&units::DURATION, Some(("10 ms", "60 s")));
                Some(Watch::StaleData {
                    signal: signal?,
                    age_ms_max: milliseconds(age_s?),
                })
            }
            GuardKind::Above | GuardKind::Below | GuardKind::RateOfRise => {
                if signal == Some(Signal::Board) {
                    return self.wrong_signal(NOT_BOARD);
                }
                let Some(of_signal) = signal.and_then(|signal| self.kind_of(signal)) else {
                    // Without its signal nobody can tell what unit the limit needs.
                    self.section.item("limit");
                    return None;
                };
                let signal = signal?;
                if kind == GuardKind::RateOfRise {
                    let limit_si_per_s = limit(&of_signal.per_second(), None)?;
                    return Some(Watch::RateOfRise {
                        signal,
                        limit_si_per_s,
                    });
                }
                // Where one number is shown, the last of a table stands for all.
                if by_speed.is_empty() && self.section.has("limit_by_speed") {
                    return None; // it has its own mistake
                }
                let limit_si = match by_speed.last() {
                    Some((_, last)) => *last,
                    None => limit(&of_signal, None)?,
                };
                Some(match kind {
                    GuardKind::Above => Watch::Above { signal, limit_si },
                    _ => Watch::Below { signal, limit_si },
                })
            }
        }
    }

    fn wrong_signal(&self, expected: &str) -> Option<Watch> {
        self.section.item("limit");
        if let Some(item) = self.section.item("on") {
            item.fault("this kind of guard can't watch that", expected, None);
        }
        None
    }
}

const WHEN_LOST: &str = "\"cut\", or \"warn: \" and why that is enough, such as \"warn: the housing has its own switch\"";
const NOT_BOARD: &str = "a speed, the load cell or a channel";
const TEMPERATURE_CHANNEL: &str = "a channel that measures a temperature";
