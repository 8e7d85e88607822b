//! How drawn brakes that lose their load are cut, and how often sound ones are.
//!
//! `cargo run --release -p leverarm-tests --bin losses -- --stands 60 --seed 1`

#![expect(clippy::print_stdout, reason = "it prints what it found")]

use std::collections::BTreeMap;

use clap::Parser;
use leverarm_load::absorber::Kind;
use leverarm_load::controller::Why;
use leverarm_software_stand::StandModel;
use leverarm_tests::loss_test::{Loss, Sound, drawn_brake, loses, stands, tuned_hot};

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
    /// Only losses with this in their names
    #[arg(long)]
    loss: Option<String>,
    /// Without sensors of torque: what the speed tells, and what the current does
    #[arg(long)]
    blind: bool,
    /// Tell of each that went otherwise than it should
    #[arg(long)]
    each: bool,
    /// With a throttle that the board reads
    #[arg(long)]
    throttle: bool,
    /// With a loop that was tuned while the absorber was hot
    #[arg(long)]
    tuned: bool,
}

/// A cut comes late when it was told for so long, s.
const LATE_S: f64 = 0.05;

/// The middle one, nine of ten, and the worst.
fn quantiles(mut values: Vec<f64>) -> String {
    values.sort_by(f64::total_cmp);
    let at = |per_ten: usize| values.get((values.len().max(1) - 1) * per_ten / 10);
    [5, 9, 10]
        .map(|place| at(place).map_or("-".into(), |value| format!("{value:.1}")))
        .join("/")
}

fn model_of(asked: &Arguments, kind: Kind, seed: u64) -> StandModel {
    let mut model = drawn_brake(kind, seed);
    if let Some(brake) = model.absorber.as_mut().filter(|_| asked.blind) {
        brake.torque_sensor_s = f64::INFINITY;
    }
    if let Some(brake) = &mut model.absorber {
        brake.throttle_sensor = asked.throttle;
    }
    if asked.tuned {
        tuned_hot(&model)
    } else {
        model
    }
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
        let has_name = |loss: &Loss| {
            let name = format!("{loss:?}");
            asked.loss.as_ref().is_none_or(|part| name.contains(part))
        };
        for sound in Sound::ALL.into_iter().filter(|_| asked.loss.is_none()) {
            let mut whys: BTreeMap<Why, u32> = BTreeMap::new();
            let (mut above, mut softer, mut seen) = (Vec::new(), 0, 0);
            for seed in seeds() {
                let model = model_of(&asked, kind, seed);
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
        let losses = Loss::ALL.into_iter().filter(|_| !asked.sound);
        for loss in losses.filter(has_name) {
            let mut whys: BTreeMap<Why, u32> = BTreeMap::new();
            let (mut gain, mut lowest, mut cut) = (Vec::new(), Vec::new(), Vec::new());
            // By the best test of the speed, by the one that does not know the heat, and beside a sound stand.
            let mut yardsticks = [(); 3].map(|()| (Vec::new(), Vec::new(), 0));
            let (mut unseen, mut too_far) = (0, 0);
            for seed in seeds() {
                let model = model_of(&asked, kind, seed);
                let it = loses(&model, seed, loss);
                *whys.entry(it.why).or_default() += 1;
                gain.push(100.0 * it.gain);
                lowest.push(-100.0 * it.lowest);
                cut.push(1e3 * it.cut_s);
                let is_unseen = it.cut_s.is_infinite() && it.seen_s.is_finite();
                unseen += u32::from(is_unseen);
                let shown = [it.seen_s, it.seen_hot_s, it.visible_s];
                for ((seen, late, too_late), seen_s) in yardsticks.iter_mut().zip(shown) {
                    seen.push(1e3 * seen_s);
                    if it.cut_s.is_finite() && seen_s.is_finite() {
                        let late_s = (it.cut_s - seen_s).max(0.0);
                        late.push(1e3 * late_s);
                        *too_late += u32::from(late_s > LATE_S);
                    }
                }
                let is_late = it.cut_s.is_finite() && it.late_s() > LATE_S;
                let is_far = it.gain > it.least_gain.max(0.1);
                too_far += u32::from(is_far);
                if asked.each && (is_unseen || is_late || is_far) {
                    println!(
                        "  seed {seed} {loss:?}: {:?} seen {:.3} s ({:.3} s by who does not know the heat), away {:.3} s, cut {:.3} s, gain {:.1} %, least {:.1} %, lowest {:.2}; sensor {:?}",
                        it.why,
                        it.seen_s,
                        it.seen_hot_s,
                        it.visible_s,
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
                "{} {loss:?}: {whys:?}, not cut though seen {unseen}, beyond 10 % and the least {too_far}; gain {} %, lowest {} %, cut after {} ms",
                kind.name(),
                quantiles(gain),
                quantiles(lowest),
                quantiles(cut)
            );
            let names = ["seen", "the heat not known", "away from a sound one"];
            for (name, (seen, late, too_late)) in names.into_iter().zip(yardsticks) {
                println!(
                    "    {name} after {} ms, to cut {} ms, later than 50 ms {too_late}",
                    quantiles(seen),
                    quantiles(late)
                );
            }
        }
    }
}
