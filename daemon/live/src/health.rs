//! What samples and clocks tell of themselves: spikes, sensors that are stuck, clipped or open, a
//! zero that wanders, a heartbeat that is late, a clock that jumps.
//!
//! Each detector is a small state machine over samples, without a clock. Their limits are common
//! practice, no source: chosen so that an undisturbed stand is silent for days. They warn; none of
//! them cuts.

use leverarm_config::{Channel, Quantity, Source};
use leverarm_protocol::{BoardMessage, TEMPERATURE_UNREADABLE};
use leverarm_torque::reduce::LoadCellModel;

use super::{Event, Now, Output, whole};
use leverarm_values::CalibratedStand;
use leverarm_vocabulary::{EventKind, Repeats, payload};

/// Samples before a detector trusts what it has learnt.
const LEARN: u32 = 64;
/// Averages go over so many samples.
const MEMORY: f64 = 128.0;
/// Mean absolute difference of two normal samples over their standard deviation: 2/√π.
const DIFFERENCE_PER_SIGMA: f64 = std::f64::consts::FRAC_2_SQRT_PI;

/// A spike is so many standard deviations off its neighbours.
const SPIKE_SIGMAS: f64 = 8.0;
/// And no less than so many counts.
const SPIKE_COUNTS_MIN: f64 = 8.0;
/// Its neighbours lie within this share of it.
const SPIKE_NEIGHBOURS_SHARE: f64 = 0.3;

/// Equal samples that chance alone would bring less often than this are no chance.
const STUCK_CHANCE: f64 = 1e-9;
const STUCK_S_MIN: f64 = 5.0;
/// And it has lasted so many times as long as any that ended: where between two counts a value lies
/// changes how often it repeats itself.
const STUCK_TIMES_LONGEST: f64 = 5.0;
/// By which the longest one fades with each that ends.
const LONGEST_FADES: f64 = 0.9995;

/// So many equal samples make a flat top.
const FLAT_SAMPLES: u32 = 3;
/// And it begins with a step of so many counts: a smooth signal that turns comes to its highest value
/// count by count.
const FLAT_STEP_MIN: u32 = 2;
/// So many flat tops at the same value are the end of a range, if most visits to it are flat: noise
/// touches its least value often, and stays there by chance.
const FLATS_TO_CLIP: u32 = 3;
/// A signal that repeats its value more often is too calm to tell a flat top from rest.
const FLAT_SAME_MAX: f64 = 0.3;
/// Noise well above one count shows in steps of two counts or more, at least so often. Less noise
/// comes and goes with the value's place between two counts, and its silence means nothing.
const LIVELY_MIN: f64 = 0.02;

/// The sensor has to be reported broken so often in a row.
const OPEN_SAMPLES: u32 = 3;

/// The drum stands still when no tooth came for so long.
const STILL_S: f64 = 3.0;
/// A zero is the mean over this time.
const ZERO_S: f64 = 2.0;
/// A zero that is off by more than this share of the greatest load seen spoils the torque.
const ZERO_SHARE: f64 = 0.005;
const ZERO_SIGMAS: f64 = 5.0;
/// Loads below this say nothing of a share.
const LOAD_COUNTS_MIN: f64 = 1000.0;

/// A heartbeat is late when more than this share of the board's patience is gone.
const LATE_SHARE: f64 = 0.5;
/// Wall and monotonic clock may part by so much from one look to the next.
const JUMP_US: i64 = 200_000;
/// Spikes are told once in this time, with a count.
const TELL_SPIKES_US: u64 = 1_000_000;

/// What a detector found.
#[derive(Debug, Clone, PartialEq)]
pub enum Finding {
    /// A single sample far off its neighbours.
    Spike {
        /// By how many counts.
        counts: f64,
    },
    /// The value has not moved at all for so many samples.
    Stuck {
        /// Where it stands.
        counts: i32,
        /// For how many samples.
        samples: u32,
    },
    /// The value is at the end of its range.
    Clipped {
        /// That end.
        counts: i32,
    },
    /// The board reports an open sensor.
    Open,
    /// It no longer does.
    Closed,
}

/// Watches the counts of one input.
#[derive(Debug, Clone)]
pub struct SampleWatch {
    /// Ends of what its converter can show.
    rails: (i32, i32),
    /// Whether a top that stays flat is the end of the range: a temperature just stays a while.
    tells_tops: bool,
    recent: [i32; 5],
    seen: u32,
    /// Mean absolute difference of neighbours, what is off left out.
    difference: f64,
    /// Share of samples that equal the one before.
    same: f64,
    /// Share of samples two counts or more off the one before.
    lively: f64,
    /// Longest run of equal samples that ended.
    longest: f64,
    run: Run,
    stuck_told: bool,
    clipped_told: bool,
    top: Flat,
    bottom: Flat,
    unreadable: u32,
}

/// Equal samples in a row.
#[derive(Debug, Clone, Copy, Default)]
struct Run {
    counts: i32,
    samples: u32,
    since_s: f64,
    /// Counts from the sample before the first.
    step: u32,
    /// [`SampleWatch::same`] when it began.
    same: f64,
}

/// The greatest, or smallest, value so far, how often the signal came to it and how often it lay flat.
#[derive(Debug, Clone, Copy, Default)]
struct Flat {
    counts: Option<i32>,
    visits: u32,
    flats: u32,
}

impl SampleWatch {
    /// For an input whose converter shows counts from `rails.0` to `rails.1`.
    #[must_use]
    pub fn new(rails: (i32, i32)) -> Self {
        Self {
            rails,
            tells_tops: true,
            recent: [0; 5],
            seen: 0,
            difference: 0.0,
            same: 0.0,
            lively: 0.0,
            longest: 0.0,
            run: Run::default(),
            stuck_told: false,
            clipped_told: false,
            top: Flat::default(),
            bottom: Flat::default(),
            unreadable: 0,
        }
    }

    /// For a signal that is slow against its samples: only the converter's own ends are ends.
    #[must_use]
    pub const fn of_slow_signal(mut self) -> Self {
        self.tells_tops = false;
        self
    }

    /// Takes a sample at `at_s` on the board's clock; `None` where the board reports the sensor as
    /// broken.
    pub fn push(&mut self, at_s: f64, counts: Option<i32>, mut found: impl FnMut(Finding)) {
        let Some(counts) = counts else {
            self.unreadable = self.unreadable.saturating_add(1);
            if self.unreadable == OPEN_SAMPLES {
                found(Finding::Open);
            }
            return;
        };
        if self.unreadable >= OPEN_SAMPLES {
            found(Finding::Closed);
            // What comes after an open circuit has nothing to do with what came before.
            *self = Self {
                tells_tops: self.tells_tops,
                ..Self::new(self.rails)
            };
        }
        self.unreadable = 0;
        self.spike(counts, &mut found);
        self.flat(at_s, counts, &mut found);
        self.seen = self.seen.saturating_add(1);
    }

    fn has_learnt(&self) -> bool {
        self.seen > LEARN
    }

    /// Judges the middle one of the last five samples by its neighbours.
    fn spike(&mut self, counts: i32, found: &mut impl FnMut(Finding)) {
        self.recent.rotate_left(1);
        self.recent[4] = counts;
        let [a, b, middle, c, last] = self.recent;
        let mut around = [a, b, c, last].map(f64::from);
        around.sort_by(f64::total_cmp);
        let [low, lower, upper, high] = around;
        let off = f64::from(middle) - 0.5 * (lower + upper);
        let sigma = self.difference / DIFFERENCE_PER_SIGMA;
        let limit = (SPIKE_SIGMAS * sigma).max(SPIKE_COUNTS_MIN);
        let alone = high - low < SPIKE_NEIGHBOURS_SHARE * off.abs();
        if self.has_learnt() && off.abs() > limit && alone {
            found(Finding::Spike { counts: off });
        }
        if self.seen == 0 {
            return;
        }
        let step = (f64::from(last) - f64::from(c)).abs();
        // Early on the average goes over what there is; later what is off has little say.
        let weight = 1.0 / MEMORY.min(f64::from(self.seen));
        let bounded = if self.has_learnt() {
            step.min(4.0 * self.difference.max(0.25))
        } else {
            step
        };
        self.difference += weight * (bounded - self.difference);
    }

    /// A run of equal samples ended with this one. What is learnt is what the signal does while it
    /// lives: of a run that does not end, nothing; of one that ended, all of it.
    fn run_ended(&mut self, counts: i32) {
        let weight = 1.0 / MEMORY.min(f64::from(self.seen));
        let equal = f64::from(self.run.samples.saturating_sub(1));
        let kept = (1.0 - weight).powf(equal);
        self.same = (1.0 - (1.0 - self.same) * kept) * (1.0 - weight);
        let lively = f64::from(u8::from(counts.abs_diff(self.run.counts) >= 2));
        self.lively = self.lively * kept * (1.0 - weight) + lively * weight;
        self.longest = (self.longest * LONGEST_FADES).max(equal + 1.0);
    }

    fn flat(&mut self, at_s: f64, counts: i32, found: &mut impl FnMut(Finding)) {
        let equal = self.seen > 0 && self.run.counts == counts;
        if !equal {
            if self.seen > 0 {
                self.run_ended(counts);
            }
            self.run = Run {
                counts,
                samples: 1,
                since_s: at_s,
                step: counts.abs_diff(self.run.counts),
                same: self.same,
            };
            self.stuck_told = false;
            if !self.is_at_rail(counts) {
                self.clipped_told = false;
            }
            if self.top.counts.is_none_or(|top| counts > top) {
                self.top = Flat::at(counts);
            }
            if self.bottom.counts.is_none_or(|bottom| counts < bottom) {
                self.bottom = Flat::at(counts);
            }
            for flat in [&mut self.top, &mut self.bottom] {
                flat.visits += u32::from(flat.counts == Some(counts));
            }
            return;
        }
        self.run.samples = self.run.samples.saturating_add(1);
        let run = self.run;
        if run.samples == FLAT_SAMPLES {
            self.clipped(run, found);
        }
        let chance = run.same.powf(f64::from(run.samples));
        let long = at_s - run.since_s >= STUCK_S_MIN;
        let is_chance = chance >= STUCK_CHANCE
            || self.lively < LIVELY_MIN
            || f64::from(run.samples) < STUCK_TIMES_LONGEST * self.longest;
        if self.has_learnt() && long && !is_chance && !self.stuck_told {
            self.stuck_told = true;
            found(Finding::Stuck {
                counts,
                samples: run.samples,
            });
        }
    }

    fn is_at_rail(&self, counts: i32) -> bool {
        counts <= self.rails.0 || counts >= self.rails.1
    }

    fn clipped(&mut self, run: Run, found: &mut impl FnMut(Finding)) {
        let mut clipped = self.is_at_rail(run.counts);
        let jumped = run.step >= FLAT_STEP_MIN;
        if self.tells_tops && self.has_learnt() && jumped && run.same < FLAT_SAME_MAX {
            for flat in [&mut self.top, &mut self.bottom] {
                if flat.counts == Some(run.counts) {
                    flat.flats += 1;
                    clipped |= flat.flats >= FLATS_TO_CLIP && 2 * flat.flats > flat.visits;
                }
            }
        }
        if clipped && !self.clipped_told {
            self.clipped_told = true;
            found(Finding::Clipped { counts: run.counts });
        }
    }
}

impl Flat {
    const fn at(counts: i32) -> Self {
        Self {
            counts: Some(counts),
            visits: 0,
            flats: 0,
        }
    }
}

/// Watches the zero of a load cell while the drum stands still.
#[derive(Debug, Clone)]
pub struct ZeroWatch {
    zero_counts: f64,
    last_tooth_s: Option<f64>,
    /// Greatest load while turning, counts off zero.
    load: f64,
    block: Block,
    told: bool,
}

/// Samples of a stretch of rest: number, mean, sum of squares about it, begin.
#[derive(Debug, Clone, Copy, Default)]
struct Block {
    samples: u32,
    mean: f64,
    squares: f64,
    since_s: f64,
}

impl ZeroWatch {
    /// For a cell that shows `zero_counts` without load.
    #[must_use]
    pub fn new(zero_counts: f64) -> Self {
        Self {
            zero_counts,
            last_tooth_s: None,
            load: 0.0,
            block: Block::default(),
            told: false,
        }
    }

    /// A tooth went by: the drum, or the engine, turns.
    pub fn tooth(&mut self, at_s: f64) {
        self.last_tooth_s = Some(at_s);
        self.block = Block::default();
        self.told = false;
    }

    /// Takes a sample; by how many counts the zero is off, once in a rest, when that matters.
    pub fn push(&mut self, at_s: f64, counts: i32) -> Option<f64> {
        let off = f64::from(counts) - self.zero_counts;
        // Before the first tooth nobody knows what a load is.
        let rest_s = at_s - self.last_tooth_s?;
        if rest_s < STILL_S {
            self.load = self.load.max(off.abs());
            return None;
        }
        let block = &mut self.block;
        if block.samples == 0 {
            block.since_s = at_s;
        }
        block.samples += 1;
        let step = off - block.mean;
        block.mean += step / f64::from(block.samples);
        block.squares += step * (off - block.mean);
        if at_s - block.since_s < ZERO_S || block.samples < 2 {
            return None;
        }
        let n = f64::from(block.samples);
        let mean_sigma = (block.squares / (n - 1.0) / n).sqrt();
        let mean = block.mean;
        self.block = Block::default();
        let matters = self.load >= LOAD_COUNTS_MIN && mean.abs() > ZERO_SHARE * self.load;
        if !matters || mean.abs() < ZERO_SIGMAS * mean_sigma || self.told {
            return None;
        }
        self.told = true;
        Some(mean)
    }
}

/// Watches the host's clocks and its heartbeat.
#[derive(Debug, Clone)]
pub struct ClockWatch {
    late_us: u64,
    last_beat_us: Option<u64>,
    wall_ahead_us: Option<i64>,
}

impl ClockWatch {
    /// For a board that cuts when no heartbeat came for this long.
    #[must_use]
    pub fn new(heartbeat_timeout_ms: u16) -> Self {
        let late_us = whole(f64::from(heartbeat_timeout_ms) * 1e3 * LATE_SHARE);
        Self {
            late_us,
            last_beat_us: None,
            wall_ahead_us: None,
        }
    }

    /// A heartbeat went out; how long after the one before, µs, if that was late.
    pub fn beat(&mut self, now: Now) -> Option<u64> {
        let last_us = self.last_beat_us.replace(now.mono_us)?;
        let gap_us = now.mono_us.saturating_sub(last_us);
        (gap_us > self.late_us).then_some(gap_us)
    }

    /// Heartbeats are held back: the next one is not late.
    pub fn no_beat(&mut self) {
        self.last_beat_us = None;
    }

    /// A look at both clocks; by how much the wall clock was set, µs, if it was.
    pub fn look(&mut self, now: Now) -> Option<i64> {
        let mono_us = i64::try_from(now.mono_us).unwrap_or(i64::MAX);
        let ahead_us = now.wall_us.saturating_sub(mono_us);
        let before_us = self.wall_ahead_us.replace(ahead_us)?;
        let jump_us = ahead_us.saturating_sub(before_us);
        (jump_us.abs() > JUMP_US).then_some(jump_us)
    }
}

/// An input of the board with its name, and spikes that are not told yet.
#[derive(Debug)]
struct Input {
    name: String,
    source: Source,
    watch: SampleWatch,
    spikes: u64,
    spike_counts: f64,
    /// When the first of them was.
    spikes_since: (Now, u64),
}

/// A load cell.
#[derive(Debug)]
struct Cell {
    model: LoadCellModel,
    channel: u8,
    watch: SampleWatch,
    zero: ZeroWatch,
}

/// All detectors of one stand, on one connection to its board.
#[derive(Debug)]
pub struct HealthDesk {
    inputs: Vec<Input>,
    cell: Option<Cell>,
    clocks: ClockWatch,
    tick_hz: f64,
}

impl HealthDesk {
    /// For a stand; nothing learnt yet.
    #[must_use]
    pub fn new(of: &CalibratedStand) -> Self {
        let stand = of.stand();
        let watch_of = |channel: &Channel| {
            let watch = SampleWatch::new(match channel.source {
                Source::Analog(_) => (i32::from(i16::MIN), i32::from(i16::MAX)),
                Source::Temperature(_) | Source::Pulses(_) => (i32::MIN, i32::MAX),
            });
            if channel.quantity == Quantity::Temperature {
                watch.of_slow_signal()
            } else {
                watch
            }
        };
        let inputs = stand.channels.iter().map(|channel| Input {
            name: channel.name.clone(),
            source: channel.source,
            watch: watch_of(channel),
            spikes: 0,
            spike_counts: 0.0,
            spikes_since: (Now::new(0, 0), 0),
        });
        // Converters for load cells have 24 bits; wider ones never reach these ends by chance.
        const BITS_24: i32 = 1 << 23;
        Self {
            inputs: inputs.collect(),
            cell: of
                .cell()
                .zip(of.cell_channel())
                .map(|(cell, channel)| Cell {
                    model: *cell,
                    channel,
                    watch: SampleWatch::new((-BITS_24, BITS_24 - 1)),
                    zero: ZeroWatch::new(cell.zero_counts.value()),
                }),
            clocks: ClockWatch::new(stand.board.heartbeat_timeout_ms),
            tick_hz: 0.0,
        }
    }

    /// Another connection, or a board that began again: what was learnt of the inputs is forgotten.
    pub fn begin(&mut self, of: &CalibratedStand) {
        let clocks = self.clocks.clone();
        *self = Self {
            clocks,
            ..Self::new(of)
        };
        self.clocks.no_beat();
    }

    /// The load cell was calibrated or its zero taken again.
    pub fn calibrated(&mut self, of: &CalibratedStand) {
        if let (Some(cell), Some(model)) = (&mut self.cell, of.cell())
            && cell.model != *model
        {
            cell.model = *model;
            cell.zero = ZeroWatch::new(model.zero_counts.value());
        }
    }

    /// The board said how many ticks it has in a second.
    pub fn board(&mut self, tick_hz: u32) {
        self.tick_hz = f64::from(tick_hz);
    }

    /// Listens to a message of the board.
    pub fn hears(&mut self, now: Now, tick: u64, message: &BoardMessage<'_>, out: &mut Output) {
        if self.tick_hz <= 0.0 {
            return;
        }
        let at_s = tick as f64 / self.tick_hz;
        match message {
            BoardMessage::Teeth(_) => {
                if let Some(cell) = &mut self.cell {
                    cell.zero.tooth(at_s);
                }
            }
            BoardMessage::Analog(scan) => {
                for (offset, counts) in (0_u8..).zip(scan.counts()) {
                    let source = Source::Analog(scan.first_channel.saturating_add(offset));
                    self.sample(now, tick, source, Some(i32::from(counts)), out);
                }
            }
            BoardMessage::Temperature { channel, counts } => {
                let counts = (*counts != TEMPERATURE_UNREADABLE).then_some(*counts);
                self.sample(now, tick, Source::Temperature(*channel), counts, out);
            }
            BoardMessage::Force { channel, counts } => {
                if let Some(cell) = self.cell.as_mut().filter(|cell| cell.channel == *channel) {
                    force(now, tick, at_s, cell, *counts, out);
                }
            }
            BoardMessage::Hello(_)
            | BoardMessage::Status(_)
            | BoardMessage::Cut { .. }
            | BoardMessage::Load(_) => {}
        }
    }

    fn sample(
        &mut self,
        now: Now,
        tick: u64,
        source: Source,
        counts: Option<i32>,
        out: &mut Output,
    ) {
        let at_s = tick as f64 / self.tick_hz;
        for input in self
            .inputs
            .iter_mut()
            .filter(|input| input.source == source)
        {
            let Input {
                name,
                watch,
                spikes,
                spike_counts,
                spikes_since,
                ..
            } = input;
            watch.push(at_s, counts, |finding| match finding {
                Finding::Spike { counts } => {
                    if *spikes == 0 {
                        (*spike_counts, *spikes_since) = (counts, (now, tick));
                    }
                    *spikes += 1;
                }
                other => tell(now, tick, name, &other, out),
            });
        }
    }

    /// Time passes: call it often.
    pub fn tick(&mut self, now: Now, tick: Option<u64>, out: &mut Output) {
        if let Some(jump_us) = self.clocks.look(now) {
            let ms = jump_us / 1000;
            let direction = if ms > 0 { "forward" } else { "back" };
            let message = format!(
                "the computer's clock was set {direction} by {} ms",
                ms.abs()
            );
            let jump = payload::ClockJump { jump_ms: ms };
            out.tell(Event::telling(now, tick, &jump, message).about("clock"));
        }
        self.tell_spikes(now, false, out);
    }

    /// Tells of the spikes that have waited long enough, or of all, with the time of the first.
    pub fn tell_spikes(&mut self, now: Now, all: bool, out: &mut Output) {
        for input in &mut self.inputs {
            let (first, tick) = input.spikes_since;
            let due = all || now.mono_us.saturating_sub(first.mono_us) >= TELL_SPIKES_US;
            if input.spikes > 0 && due {
                let (count, counts) = (std::mem::take(&mut input.spikes), input.spike_counts);
                let message = format!("single samples far off, the first by {counts:.0} counts");
                let spike = payload::NoiseSpike { counts };
                let event = Event::telling(first, Some(tick), &spike, message);
                let event = event.repeated(Repeats::times(count));
                out.tell(event.about(input.name.as_str()));
            }
        }
    }

    /// A heartbeat went out.
    pub fn beat(&mut self, now: Now, tick: Option<u64>, out: &mut Output) {
        if let Some(gap_us) = self.clocks.beat(now) {
            let ms = gap_us / 1000;
            let message = format!("a heartbeat came {ms} ms after the one before");
            let late = payload::HeartbeatLate { gap_ms: ms };
            out.tell(Event::telling(now, tick, &late, message).about("link"));
        }
    }

    /// Heartbeats are held back on purpose.
    pub fn no_beat(&mut self) {
        self.clocks.no_beat();
    }
}

fn force(now: Now, tick: u64, at_s: f64, cell: &mut Cell, counts: i32, out: &mut Output) {
    const NAME: &str = "load cell";
    cell.watch
        .push(at_s, Some(counts), |finding| match finding {
            // A brake's load does jump.
            Finding::Spike { .. } => {}
            other => tell(now, tick, NAME, &other, out),
        });
    if let Some(off) = cell.zero.push(at_s, counts) {
        let newton = cell.model.force_at_n(cell.model.zero_counts.value() + off);
        let message = format!("without load it shows {off:+.0} counts, {newton:+.2} N");
        let drift = payload::ZeroDrift {
            counts: off,
            newton,
        };
        out.tell(Event::telling(now, Some(tick), &drift, message).about(NAME));
    }
}

fn tell(now: Now, tick: u64, channel: &str, finding: &Finding, out: &mut Output) {
    let tick = Some(tick);
    let event = match *finding {
        Finding::Spike { .. } => return,
        Finding::Stuck { counts, samples } => {
            let message = format!("{samples} samples in a row show exactly {counts} counts");
            Event::telling(
                now,
                tick,
                &payload::SensorStuck { counts, samples },
                message,
            )
        }
        Finding::Clipped { counts } => {
            let message = format!("it does not go beyond {counts} counts");
            Event::telling(now, tick, &payload::SensorClipped { counts }, message)
        }
        Finding::Open => {
            let message = "the board reports the sensor as broken or not connected";
            Event::new(now, tick, EventKind::OpenThermocouple, message)
        }
        Finding::Closed => {
            let message = "the board reads the sensor again";
            Event::new(now, tick, EventKind::SensorBack, message)
        }
    };
    out.tell(event.about(channel));
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand_chacha::ChaCha8Rng;
    use rand_chacha::rand_core::{Rng, SeedableRng};

    /// Counts with normal noise of this standard deviation, about a middle.
    struct Noise {
        random: ChaCha8Rng,
        sigma: f64,
    }

    impl Noise {
        fn new(seed: u64, sigma: f64) -> Self {
            Self {
                random: ChaCha8Rng::seed_from_u64(seed),
                sigma,
            }
        }

        fn unit(&mut self) -> f64 {
            f64::from(self.random.next_u32()) / f64::from(u32::MAX)
        }

        #[expect(clippy::cast_possible_truncation, reason = "counts")]
        fn about(&mut self, middle: f64) -> i32 {
            // The sum of twelve even numbers from 0 to 1 is normal enough.
            let sum: f64 = (0..12).map(|_| self.unit()).sum();
            (middle + self.sigma * (sum - 6.0)).round() as i32
        }
    }

    fn run(samples: impl IntoIterator<Item = Option<i32>>, rate_hz: f64) -> Vec<(usize, Finding)> {
        let mut watch = SampleWatch::new((i32::from(i16::MIN), i32::from(i16::MAX)));
        let mut findings = Vec::new();
        for (index, counts) in samples.into_iter().enumerate() {
            watch.push(index as f64 / rate_hz, counts, |finding| {
                findings.push((index, finding));
            });
        }
        findings
    }

    /// A day of an analog input at 10 Hz, calm and noisy, warming up and coming back.
    #[test]
    fn an_undisturbed_sensor_is_silent() {
        for (seed, sigma) in [(1, 0.0), (2, 0.2), (3, 0.5), (4, 3.0), (5, 60.0)] {
            let mut noise = Noise::new(seed, sigma);
            let samples = (0..864_000).map(|n| {
                let warm = 400.0 * (f64::from(n) * 2e-5).sin();
                Some(noise.about(1500.0 + warm))
            });
            assert_eq!(run(samples, 10.0), [], "noise of {sigma} counts");
        }
    }

    /// Most of a day of a room's temperature at 10 Hz that moves by a count or two in an hour: where it
    /// lies between two counts changes how often it repeats itself.
    #[test]
    fn a_fine_steady_temperature_is_not_stuck() {
        for (seed, sigma) in [(21, 0.25), (22, 0.3), (23, 0.35), (24, 0.4), (25, 0.5)] {
            let mut noise = Noise::new(seed, sigma);
            let samples = (0..600_000).map(|n| {
                let slow = 1.5 * (f64::from(n) * 1.7e-4).sin();
                Some(noise.about(3584.0 + slow))
            });
            assert_eq!(run(samples, 10.0), [], "noise of {sigma} counts");
        }
    }

    #[test]
    fn each_single_spike_is_found_and_a_step_is_none() {
        let mut noise = Noise::new(7, 2.0);
        let mut samples: Vec<_> = (0..2000).map(|_| Some(noise.about(800.0))).collect();
        for at in [500, 900, 1300] {
            samples[at] = Some(900);
        }
        // A throttle that opens: a step, up and later down.
        samples[1600..1800]
            .iter_mut()
            .for_each(|s| *s = s.map(|s| s + 500));
        let found = run(samples, 100.0);
        let spikes: Vec<usize> = found.iter().map(|(at, _)| *at).collect();
        // Told two samples later, when both neighbours on that side are known.
        assert_eq!(spikes, [502, 902, 1302], "{found:?}");
        assert!(found.iter().all(|(_, finding)| matches!(finding, Finding::Spike { counts } if (*counts - 100.0).abs() < 10.0)));
    }

    #[test]
    fn a_value_that_loses_its_noise_is_stuck() {
        let mut noise = Noise::new(9, 1.0);
        let live = (0..1000).map(|_| Some(noise.about(700.0)));
        let samples: Vec<_> = live.chain((0..200).map(|_| Some(701))).collect();
        let found = run(samples, 10.0);
        let [(at, Finding::Stuck { counts: 701, .. })] = found.as_slice() else {
            panic!("{found:?}");
        };
        // Five seconds after it stopped.
        assert!((1049..=1052).contains(at), "{at}");
    }

    #[test]
    fn flat_tops_and_rails_are_clipped() {
        // A wave that its converter cuts off at 1023.
        let mut noise = Noise::new(11, 2.0);
        let wave = (0..2000).map(|n| {
            let wave = 900.0 + 300.0 * (f64::from(n) * 0.05).sin();
            Some(noise.about(wave).min(1023))
        });
        let found = run(wave, 100.0);
        assert!(
            found
                .iter()
                .any(|(_, f)| *f == Finding::Clipped { counts: 1023 }),
            "{found:?}"
        );
        // A smooth one that turns at its top by itself.
        let mut calm = Noise::new(12, 0.2);
        let smooth = (0..2000).map(|n| {
            let wave = 700.0 + 100.0 * (f64::from(n) * 0.05).sin();
            Some(calm.about(wave))
        });
        let found = run(smooth, 100.0);
        assert!(
            !found
                .iter()
                .any(|(_, f)| matches!(f, Finding::Clipped { .. })),
            "{found:?}"
        );
        let at_rail = run([5, 9, 32767, 32767, 32767, 32767].map(Some), 10.0);
        assert_eq!(at_rail, [(4, Finding::Clipped { counts: 32767 })]);
    }

    #[test]
    fn an_open_sensor_is_told_once_and_its_return_too() {
        let samples = (0..100).map(|n| (!(30..60).contains(&n)).then_some(200 + n % 3));
        let found = run(samples, 10.0);
        assert_eq!(found, [(32, Finding::Open), (60, Finding::Closed)]);
        // One bad reading is none.
        let single = (0..100).map(|n| (n % 20 != 5).then_some(200 + n % 3));
        assert_eq!(run(single, 10.0), []);
    }

    /// Pulls of 20 s with rests of 20 s; the zero wanders by some counts in each.
    fn rests(per_rest: f64, load: f64) -> Vec<(f64, f64)> {
        let mut zero = ZeroWatch::new(8000.0);
        let mut noise = Noise::new(13, 40.0);
        let mut found = Vec::new();
        let mut wander = 0.0;
        for tenth in 0..6000_u32 {
            let at_s = f64::from(tenth) * 0.1;
            let turning = tenth % 400 < 200;
            if turning {
                zero.tooth(at_s);
            }
            if tenth % 400 == 399 {
                wander += per_rest;
            }
            let counts = noise.about(8000.0 + wander + if turning { load } else { 0.0 });
            found.extend(zero.push(at_s, counts).map(|off| (at_s, off)));
        }
        found
    }

    #[test]
    fn a_zero_that_wanders_is_told_once_a_rest_and_only_when_it_matters() {
        assert_eq!(rests(0.0, 100_000.0), []);
        let found = rests(200.0, 100_000.0);
        // Off by 200, 400, 600, …: more than 500 counts, 0.5 % of the load, from the fourth rest on.
        assert_eq!(found.len(), 12, "{found:?}");
        assert!((found[0].1 - 600.0).abs() < 60.0, "{found:?}");
        assert!(found.windows(2).all(|pair| pair[1].0 - pair[0].0 > 35.0));
        // Without any load seen nobody knows what would matter.
        assert_eq!(rests(40.0, 0.0), []);
    }

    #[test]
    fn late_heartbeats_and_clock_jumps() {
        let mut clocks = ClockWatch::new(250);
        let at = |mono_us: u64, wall_us: i64| Now::new(mono_us, wall_us);
        assert_eq!(clocks.beat(at(0, 0)), None);
        assert_eq!(clocks.beat(at(50_000, 0)), None);
        assert_eq!(clocks.beat(at(175_001, 0)), Some(125_001));
        clocks.no_beat();
        assert_eq!(clocks.beat(at(9_000_000, 0)), None);
        assert_eq!(clocks.look(at(0, 1_000_000)), None);
        assert_eq!(clocks.look(at(20_000, 1_021_000)), None);
        assert_eq!(
            clocks.look(at(40_000, 3_601_040_000)),
            Some(3_600_000_000 - 1_000)
        );
        assert_eq!(clocks.look(at(60_000, 3_601_060_000)), None);
        assert_eq!(clocks.look(at(80_000, 1_080_000)), Some(-3_600_000_000));
    }
}
