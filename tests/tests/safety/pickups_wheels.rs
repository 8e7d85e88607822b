//! Every wheel of 1 to 60 teeth, with 0, 1 or 2 teeth gone, and each debounce that a stand file may
//! have: no overspeed is seen later than `leverarm check` states, and one false edge cuts nothing.

use std::collections::BTreeMap;
use std::f64::consts::TAU;

use leverarm_live::{Core, Now, Output, Record};
use leverarm_protocol::{BoardMessage, Channel, ChannelKind, FrameWriter, Hello, Teeth};
use leverarm_vocabulary::EventKind;

/// One tick is half a microsecond.
const TICKS_PER_S: f64 = 2e6;
const LIMIT_RPM: f64 = 1_780.0;
const LIMIT: f64 = LIMIT_RPM * TAU / 60.0;
/// Debounces in ms; 100 ms is the longest that a cut on overspeed may have.
const DEBOUNCES_MS: [u64; 3] = [0, 50, 100];
/// The drum gains so much, rad/s².
const GAIN: f64 = 35.0;

fn stand_text(teeth: usize) -> String {
    let head = include_str!("../../src/faults/stand.toml");
    let end = head.find("[[guard]]").unwrap();
    let rest = &head[head.find("[pull]").unwrap()..head.find("[[stream]]").unwrap()];
    let one_pickup = head[..end]
        .replace("[[pickup]]\nchannel = 1\non = \"engine\"\nteeth = 1\n", "")
        .replace("teeth = 8", &format!("teeth = {teeth}"));
    let guards: String = DEBOUNCES_MS
        .iter()
        .map(|ms| {
            format!(
                "[[guard]]\nname = \"{ms}\"\nkind = \"overspeed\"\non = \"drum speed\"\n\
                 limit = \"{LIMIT_RPM} rpm\"\naction = \"cut\"\ndebounce = \"{ms} ms\"\n"
            )
        })
        .collect();
    format!("{one_pickup}{guards}{rest}")
}

/// A core that hears the edges of one wheel, without delay.
struct Ear {
    core: Core,
    writer: FrameWriter,
    number: u32,
    next_tick_us: u64,
    /// When each guard tripped first, s, by its name.
    tripped_s: BTreeMap<String, f64>,
}

impl Ear {
    fn new(stand: &leverarm_config::Stand) -> Self {
        let mut ear = Self {
            core: Core::new(stand.clone()),
            writer: FrameWriter::new(),
            number: 0,
            next_tick_us: 0,
            tripped_s: BTreeMap::new(),
        };
        ear.call(0, |core, now, out| core.port_opened(now, "/dev/null", out));
        let channel = Channel::new(ChannelKind::Teeth, 0, 0);
        ear.send(
            0,
            &BoardMessage::Hello(Hello {
                board_id: 1,
                boot: 1,
                firmware: [1, 0, 0],
                tick_hz: 2_000_000,
                channels: &[channel.to_bytes()],
            }),
        );
        ear
    }

    fn call(&mut self, mono_us: u64, call: impl FnOnce(&mut Core, Now, &mut Output)) {
        let now = Now::new(mono_us, mono_us.cast_signed());
        let mut out = Output::default();
        call(&mut self.core, now, &mut out);
        for record in out.records {
            if let Record::Event(event) = record
                && event.kind == EventKind::GuardTripped
            {
                let name = event.channel.unwrap_or_default();
                let at_s = mono_us as f64 * 1e-6;
                self.tripped_s.entry(name).or_insert(at_s);
            }
        }
    }

    fn send(&mut self, tick: u32, message: &BoardMessage<'_>) {
        let bytes = self.writer.write(tick, message).unwrap().to_vec();
        let mono_us = u64::from(tick) / 2;
        self.call(mono_us, |core, now, out| core.feed(now, &bytes, out));
    }

    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "positive, and below two minutes"
    )]
    fn edge(&mut self, at_s: f64) {
        let tick = (at_s * TICKS_PER_S) as u32;
        while self.next_tick_us < u64::from(tick) / 2 {
            let at_us = self.next_tick_us;
            self.call(at_us, Core::tick);
            self.next_tick_us += 20_000;
        }
        let teeth = BoardMessage::Teeth(Teeth {
            pickup: 0,
            first_tooth: self.number,
            deltas: &[],
        });
        self.number += 1;
        self.send(tick, &teeth);
    }
}

/// Times of the teeth from rest at [`GAIN`], the first of them in the middle of a pitch, up to a speed.
fn times(teeth: usize, gone: &[usize], first: usize, top: f64) -> Vec<f64> {
    let pitch = TAU / teeth as f64;
    (0..)
        .map(|tooth: usize| {
            let angle = pitch * (tooth as f64 + 0.5);
            (tooth, (2.0 * angle / GAIN).sqrt())
        })
        .take_while(|(_, at_s)| GAIN * at_s < top)
        .filter(|(tooth, _)| !gone.contains(&((tooth + first) % teeth)))
        .map(|(_, at_s)| at_s)
        .collect()
}

/// Whether what is left looks like a whole wheel of fewer teeth: nobody can tell by its gaps.
fn looks_whole(teeth: usize, gone: &[usize]) -> bool {
    let left: Vec<usize> = (0..teeth).filter(|tooth| !gone.contains(tooth)).collect();
    let next = left.iter().skip(1).copied().chain([left[0] + teeth]);
    let steps: Vec<usize> = left.iter().zip(next).map(|(a, b)| b - a).collect();
    !gone.is_empty() && steps.windows(2).all(|pair| pair[0] == pair[1])
}

#[test]
fn every_wheel_and_debounce_is_cut_within_the_stated_time() {
    let crossing_s = LIMIT / GAIN;
    for teeth in 1..=60_usize {
        let stand = leverarm_config::parse("stand.toml", &stand_text(teeth)).unwrap();
        // On wheels of many teeth, where two gaps touch, are near, and are far apart.
        let second = (1..=teeth / 2).filter(|it| teeth <= 12 || *it < 4 || it % (teeth / 4) == 0);
        let two_gone = second.map(|second| vec![0, second]);
        let patterns = [vec![], vec![0]].into_iter().chain(two_gone);
        for gone in patterns.filter(|gone| gone.len() < teeth) {
            if looks_whole(teeth, &gone) {
                continue;
            }
            for first in [0, teeth / 3] {
                let mut ear = Ear::new(&stand);
                for at_s in times(teeth, &gone, first, 1.4 * LIMIT) {
                    ear.edge(at_s);
                }
                for (guard, ms) in stand.guards.iter().zip(DEBOUNCES_MS) {
                    let place = format!("{teeth} teeth, {gone:?} gone, from {first}, {ms} ms");
                    let tripped_s = ear.tripped_s.get(&guard.name);
                    let late_s = tripped_s.unwrap_or_else(|| panic!("{place}: never")) - crossing_s;
                    let gone = u8::try_from(gone.len()).unwrap();
                    let stated = stand.overspeed_reaction(guard, gone).unwrap();
                    // Ticks are whole ones: a pitch is known to one, and so is the speed.
                    let pitch_ticks = TICKS_PER_S * TAU / LIMIT / teeth as f64;
                    let rounding_s = crossing_s / pitch_ticks + 1e-6;
                    assert!(late_s > -rounding_s, "{place}: {late_s} s before its limit");
                    assert!(
                        late_s < stated.seconds + rounding_s,
                        "{place}: {late_s} s, stated {}",
                        stated.seconds
                    );
                }
                let lies = ear.tripped_s.keys().find(|name| name.contains("pickup"));
                assert_eq!(lies, None, "{teeth} teeth, {gone:?} gone");
            }
        }
    }
}

/// One false edge anywhere in a pitch, on a wheel just below its limit, whole or with a tooth gone.
#[test]
fn one_false_edge_cuts_no_wheel() {
    for teeth in [1_usize, 2, 3, 4, 5, 8, 12, 36, 60] {
        let stand = leverarm_config::parse("stand.toml", &stand_text(teeth)).unwrap();
        for gone in [vec![], vec![0]] {
            if gone.len() >= teeth || looks_whole(teeth, &gone) {
                continue;
            }
            for place in 1..20 {
                let edges = times(teeth, &gone, 0, 0.98 * LIMIT);
                let mut ear = Ear::new(&stand);
                let (last, before) = (edges.len() - 6, edges.len() - 7);
                let share = 0.05 * f64::from(place);
                for (tooth, at_s) in edges.iter().enumerate() {
                    if tooth == last {
                        ear.edge(edges[before] + share * (at_s - edges[before]));
                    }
                    ear.edge(*at_s);
                }
                assert_eq!(
                    ear.tripped_s,
                    BTreeMap::new(),
                    "{teeth} teeth, {gone:?} gone, at {share}"
                );
            }
        }
    }
}
