//! `[[guard]]`.

use super::channels::{Channels, OTHER_SIGNALS};
use super::{Unique, milliseconds};
use crate::reader::{
    Choice, Found, List, Pair, Parsed, Place, Quantity as Q, Rule, Section, Text, did_you_mean,
};
use crate::rule::{About, LimitOf, Rule as GuardRule};
use crate::stand::{ChannelId, Guard, GuardAction, Quantity, Signal, WhenLost};
use crate::units::{self, Kind};

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
        let place = Place::new("guard".to_owned(), 0..0);
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
        let kind = section.required("kind", &Choice(GuardRule::WORDS));
        let action = section.required("action", &Choice(ACTIONS));
        let name = section
            .item("name")
            .map(|item| item.read(&Text("drum too fast")));
        let signal = section.required("on", &self.signal_rule());
        let cuts_on_overspeed =
            matches!(kind, None | Some(GuardRule::Overspeed)) && action != Some(GuardAction::Warn);
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
        let limit_si = match kind {
            Some(kind) => self.limit(kind, signal, by_speed.as_deref().unwrap_or_default()),
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
                signal: signal?,
                rule: kind?,
                limit_si: limit_si?,
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
        kind: Option<GuardRule>,
        signal: Option<Signal>,
        action: Option<GuardAction>,
    ) -> Option<WhenLost> {
        let item = self.section.item("when_lost");
        let (Some(kind), Some(signal), Some(action)) = (kind, signal, action) else {
            return Some(WhenLost::Nothing); // its mistakes are told
        };
        let is_needed = action == GuardAction::Cut && kind.is_blind_without(signal);
        match item {
            None if is_needed => Some(WhenLost::Cut),
            None => Some(WhenLost::Nothing),
            Some(_) if !is_needed => {
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

    fn default_name(&self, kind: GuardRule, signal: Signal) -> String {
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
        format!("{} ({signal})", kind.word())
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
        kind: Option<GuardRule>,
        signal: Option<Signal>,
    ) -> Option<Vec<(f64, f64)>> {
        if !kind.is_some_and(GuardRule::may_go_with_speed) {
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

    /// The limit, if the rule has one.
    fn limit(
        &self,
        rule: GuardRule,
        signal: Option<Signal>,
        by_speed: &[(f64, f64)],
    ) -> Option<Option<f64>> {
        if let Some(signal) = signal
            && !self.suits(rule, signal)
        {
            self.section.item("limit");
            if let Some(item) = self.section.item("on") {
                let expected = rule.about().expected();
                item.fault("this kind of guard can't watch that", expected, None);
            }
            return None;
        }
        let limit = |kind: &Kind| {
            let limit = self.section.required("limit", &Q(kind, rule.bounds()));
            limit.map(Some)
        };
        // Where one number is shown, the last of a table stands for all.
        if let Some((_, last)) = by_speed.last() {
            return Some(Some(*last));
        }
        if rule.may_go_with_speed() && self.section.has("limit_by_speed") {
            return None; // it has its own mistake
        }
        match (rule.limit_of(), rule.about()) {
            (LimitOf::Nothing, _) => Some(None),
            (LimitOf::Age, _) => limit(&units::DURATION),
            (_, About::Speeds) => limit(&units::ROTATION),
            (_, About::Temperatures) => limit(&units::TEMPERATURE),
            (of, About::Sensors | About::LoadCell | About::Anything) => {
                let Some(kind) = signal.and_then(|signal| self.kind_of(signal)) else {
                    // Without its signal nobody can tell what unit the limit needs.
                    self.section.item("limit");
                    return None;
                };
                limit(&if of == LimitOf::Rise {
                    kind.per_second()
                } else {
                    kind
                })
            }
        }
    }

    fn suits(&self, rule: GuardRule, signal: Signal) -> bool {
        match (rule.about(), signal) {
            (About::Anything, _) | (About::Speeds, Signal::Speed(_)) => true,
            // A channel whose quantity is unclear has a mistake of its own.
            (About::Temperatures, Signal::Channel(id)) => self
                .channels
                .quantity(id)
                .is_none_or(|quantity| quantity == Quantity::Temperature),
            (About::Speeds | About::Temperatures, _) => false,
            (About::Sensors, signal) => signal != Signal::Board,
            (About::LoadCell, signal) => signal == Signal::LoadCell,
        }
    }
}

const WHEN_LOST: &str = "\"cut\", or \"warn: \" and why that is enough, such as \"warn: the housing has its own switch\"";
