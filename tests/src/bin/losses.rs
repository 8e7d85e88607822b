//! How drawn brakes that lose their load are cut, and how often sound ones are.
//!
//! `cargo run --release -p leverarm-tests --bin losses -- --stands 60 --seed 1`

#![expect(clippy::print_stdout, reason = "it prints what it found")]

use std::collections::BTreeMap;

use clap::Parser;
use leverarm_load::absorber::Kind;
use leverarm_load::controller::Why;
use leverarm_tests::loss_test::{Loss, Sound, drawn_brake, loses, stands};

#[derive(Parser)]
struct Arguments {
    /// Stands of each kind
    #[arg(long, default_value_t = 60)]
    stands: u64,
    /// First seed
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Only this kind of absorber
    #[arg(long)]
    only: Option<String>,
    /// Only sound ones
    #[arg(long)]
    sound: bool,
    /// Tell of each that went otherwise than it should
    #[arg(long)]
    each: bool,
}

/// The middle one, nine of ten, and the worst.
fn quantiles(mut values: Vec<f64>) -> String {
    values.sort_by(f64::total_cmp);
    let at = |per_ten: usize| values.get((values.len().max(1) - 1) * per_ten / 10);
    [5, 9, 10]
        .map(|place| at(place).map_or("-".into(), |value| format!("{value:.1}")))
        .join("/")
}

fn main() {
    let asked = Arguments::parse();
    for kind in [Kind::EddyCurrent, Kind::Water, Kind::Hydraulic] {
        if asked
            .only
            .as_ref()
            .is_some_and(|only| !kind.name().starts_with(only.as_str()))
        {
            continue;
        }
        let seeds = || asked.seed..asked.seed + asked.stands;
        for sound in Sound::ALL {
            let mut whys: BTreeMap<Why, u32> = BTreeMap::new();
            let (mut above, mut softer, mut seen) = (Vec::new(), 0, 0);
            for seed in seeds() {
                let model = drawn_brake(kind, seed);
                let it = stands(&model, seed, sound);
                *whys.entry(it.why).or_default() += 1;
                above.push(100.0 * it.above);
                softer += u32::from(it.backed_off > 0);
                seen += u32::from(it.is_seen);
                if asked.each && (it.why != Why::None || it.backed_off > 0) {
                    println!(
                        "  seed {seed} {sound:?}: {:?} after {:.3} s, {:.1} % above, softer {}; {:?}",
                        it.why,
                        it.at_s,
                        100.0 * it.above,
                        it.backed_off,
                        model.absorber.map(|it| it.absorber.follows)
                    );
                }
            }
            println!(
                "{} {sound:?}: {whys:?}, made softer {softer}, seen by the oracle {seen}, above {} %",
                kind.name(),
                quantiles(above)
            );
        }
        for loss in Loss::ALL.into_iter().filter(|_| !asked.sound) {
            let mut whys: BTreeMap<Why, u32> = BTreeMap::new();
            let (mut gain, mut late, mut lowest) = (Vec::new(), Vec::new(), Vec::new());
            let mut late_hot = Vec::new();
            let (mut unseen, mut too_late, mut too_far, mut too_late_hot) = (0, 0, 0, 0);
            for seed in seeds() {
                let model = drawn_brake(kind, seed);
                let it = loses(&model, seed, loss);
                *whys.entry(it.why).or_default() += 1;
                gain.push(100.0 * it.gain);
                lowest.push(-100.0 * it.lowest);
                let is_unseen = it.cut_s.is_infinite() && it.seen_s.is_finite();
                unseen += u32::from(is_unseen);
                if it.cut_s.is_finite() && it.seen_s.is_finite() {
                    late.push(1e3 * it.late_s());
                }
                if it.cut_s.is_finite() && it.seen_hot_s.is_finite() {
                    late_hot.push(1e3 * it.late_hot_s());
                }
                let is_cut = it.cut_s.is_finite();
                too_late_hot += u32::from(it.late_hot_s() > 0.05 && is_cut);
                let is_late = it.late_s() > 0.05 && is_cut;
                too_late += u32::from(is_late);
                let is_far = it.gain > it.least_gain.max(0.1);
                too_far += u32::from(is_far);
                if asked.each && (is_unseen || is_late || is_far) {
                    println!(
                        "  seed {seed} {loss:?}: {:?} seen {:.3} s ({:.3} s by who does not know the heat), cut {:.3} s, gain {:.1} %, least {:.1} %, lowest {:.2}; sensor {:?}",
                        it.why,
                        it.seen_s,
                        it.seen_hot_s,
                        it.cut_s,
                        100.0 * it.gain,
                        100.0 * it.least_gain,
                        it.lowest,
                        model.absorber.map(|it| (
                            it.has_output_sensor,
                            it.torque_sensor_s,
                            it.absorber.follows
                        ))
                    );
                }
            }
            println!(
                "{} {loss:?}: {whys:?}, not cut though seen {unseen}, later than 50 ms {too_late}, or {too_late_hot} where the heat is not known; beyond 10 % and the least {too_far}; gain {} %, seen to cut {} ms, or {} ms, lowest {} %",
                kind.name(),
                quantiles(gain),
                quantiles(late),
                quantiles(late_hot),
                quantiles(lowest)
            );
        }
    }
}
