//! The loop that holds a load, in whole numbers: the peer of `hardware-notes/firmware/load.c`.
//!
//! A model of engine and absorber runs along. It has a speed and the engine's torque as states, is told the absorber's torque,
//! and is corrected by the speed of a whole turn of teeth: the mean of the model over the same turn is what that speed is
//! compared with, so that the turn's delay and the engine's pulses are not taken for errors. The demand is the engine's
//! torque, less what the wanted acceleration takes, plus a share of the model's distance from the set point. What the
//! absorber can't do the model does not believe: that is the anti-windup.
//!
//! Units: speeds, torques, accelerations, outputs and shares times 65,536 in rad/s, N·m, rad/s² and parts of the whole
//! ([`Q16`]); rates a second times 256 ([`Q8`]).

/// One of a unit.
pub const Q16: i64 = 1 << 16;
/// One a second.
pub const Q8: i64 = 1 << 8;

/// Points of the torque map.
pub const MAP_POINTS: usize = 8;
/// Pieces of the way from torque to output.
pub const SHARES: usize = 8;
/// Fastest that the loop counts, Q16: 2048 rad/s.
const SPEED_MAX: i64 = 2_048 * Q16;
/// Keeps a product within 63 bits.
const SQUARE_MAX: i64 = 1 << 34;
/// Fastest change of an acceleration that the loop counts, Q16 a second.
const JERK_MAX: i64 = 1 << 33;
/// Steps whose teeth are kept: at 1000 a second 127 ms.
const HISTORY: usize = 128;
/// A step back in it, wrapping.
const HISTORY_MASK: u32 = 127;

/// What a host sets, and what the board knows of itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Settings {
    /// Steps a second.
    pub rate_hz: i64,
    /// Ticks a second.
    pub tick_hz: i64,
    /// Teeth of the absorber's wheel.
    pub teeth: i64,
    /// Teeth over which a speed is measured: a whole turn, or a working cycle.
    pub window_teeth: i64,
    /// Inertia at the absorber, kg·m² times 2²⁰.
    pub inertia: i64,
    /// How firmly the model is corrected, Q8: 256 is the tuning rule with its closed loop as fast as the dead time, which
    /// is half the window and two steps; less is softer.
    pub firmness: i64,
    /// Demand for a distance from the set point, N·m per rad/s, Q16.
    pub hold: i64,
    /// How fast a reference comes near its target, a second, Q8.
    pub approach: i64,
    /// How the output leads the absorber's lag: lag over wanted lag, Q8, at least 256.
    pub lead: i64,
    /// One over the absorber's lag, a second, Q8.
    pub lag: i64,
    /// Fastest change of a valve's place, full ways a second, Q8; 0: no limit.
    pub slew: i64,
    /// Least output, Q16: below 0 where a driver can turn its supply round.
    pub output_min: i64,
    /// Greatest output, Q16: above 65,536 where the supply is greater than full load needs.
    pub output_max: i64,
    /// Speeds of the torque map, rad/s Q16, rising, above 0.
    pub map_speed: [i64; MAP_POINTS],
    /// Torques with full output there, Q16.
    pub map_torque: [i64; MAP_POINTS],
    /// Outputs for the squares of eighths of the torque, 1/64, 4/64, 9/64 …, Q16, rising; the first 0. A coil's torque goes
    /// with the square of its current, so these are even in its current, and close where the torque is low.
    pub output_for: [i64; SHARES + 1],
    /// Speed below which there is no load; half as much above it the load is whole. Q16.
    pub stall: i64,
    /// Speed that the torque and road modes don't let it pass, Q16.
    pub speed_max: i64,
    /// The engine's greatest torque at the absorber, Q16.
    pub engine_max: i64,
    /// Fastest change of torque in torque mode, N·m/s, Q16.
    pub torque_slew: i64,
    /// How far measured output may be from the model's, Q16.
    pub follow: i64,
    /// For how many steps it may be so.
    pub follow_steps: i64,
}

/// What to do.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Mode {
    /// No load.
    #[default]
    Off,
    /// Hold a speed, and get there at a rate: a sweep is this with a rate.
    Speed,
    /// Hold a torque.
    Torque,
    /// Torque c₀ + c₁ ω + c₂ ω².
    Road,
    /// An output: for identification.
    Output,
}

/// A set point.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Demand {
    /// What to do.
    pub mode: Mode,
    /// Speed or torque Q16, output Q16, or c₀ Q16.
    pub target: i64,
    /// Speed mode: greatest acceleration, Q16; 0: as fast as it goes. Road: c₁, Q16 per rad/s.
    pub rate: i64,
    /// Road: c₂, times 2³² in N·m per (rad/s)².
    pub square: i64,
}

/// What there is at a step.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Inputs {
    /// Now.
    pub tick: u32,
    /// Time of the latest tooth.
    pub tooth_tick: u32,
    /// Teeth so far, wrapping.
    pub teeth: u8,
    /// Measured output, Q16: current or place of the valve.
    pub measured: Option<i32>,
    /// Measured torque, Q16.
    pub torque: Option<i32>,
    /// How far the throttle is open, Q16.
    pub throttle: Option<i32>,
    /// The board has cut the engine.
    pub cut: bool,
    /// A limit of temperature is passed.
    pub too_hot: bool,
    /// A switch shows that there is no supply of water, oil or power.
    pub no_supply: bool,
}

/// Why there is no load, or no more than was. Those after [`Why::Cut`] cut the engine.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum Why {
    /// There is one.
    #[default]
    None,
    /// Nobody armed it since the start or the last end.
    NotArmed,
    /// The engine was cut.
    Cut,
    /// Teeth stopped coming faster than any brake stops.
    SensorLost,
    /// Too hot.
    TooHot,
    /// Full output, and the speed rises; or it is a twelfth above what was ordered.
    Saturated,
    /// Measured output or torque, or the speed, is where no sound absorber's would be: the load is lost.
    LoadLost,
}

/// What a step says.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Outputs {
    /// To the driver, Q16.
    pub output: i64,
    /// Whether the engine has to be cut.
    pub wants_cut: bool,
    /// Demanded torque, Q16.
    pub torque: i64,
    /// The model's speed, Q16.
    pub speed: i64,
    /// The reference's speed, Q16.
    pub reference: i64,
    /// The engine's torque as believed, Q16.
    pub engine: i64,
    /// The demand was more than the absorber has, or less than none.
    pub saturated: bool,
    /// Load is on.
    pub holds: bool,
    /// Why not.
    pub why: Why,
    /// How often it swung, and was made softer.
    pub backed_off: u8,
}

#[derive(Clone, Copy, Debug, Default)]
struct Sample {
    tick: u32,
    teeth: i64,
    /// Sum of the model's speeds before this step.
    sum: i64,
    /// Sums of the greatest and the least change of speed until then.
    changes: [i64; 2],
}

/// One over an inertia, to fifteen bits at least: a chip that divides 64 bits by a loop multiplies some ten times faster.
#[derive(Clone, Copy, Debug)]
struct PerInertia {
    factor: i64,
    shift: u32,
}

impl PerInertia {
    fn new(inertia: i64) -> Self {
        let factor = |shift: u32| (1 << (20 + shift)) / inertia.max(1);
        let mut shift = 0;
        while factor(shift) < 1 << 15 && shift < 32 {
            shift += 1;
        }
        Self {
            factor: factor(shift),
            shift,
        }
    }

    /// What a torque makes of the speed in a second.
    fn of(self, torque: i64) -> i64 {
        (torque * self.factor) >> self.shift
    }
}

/// One edge of what a sound absorber can be doing.
#[derive(Clone, Copy, Debug, Default)]
struct Edge {
    /// Place of the valve, or what drives the coil.
    valve: i64,
    /// What it has let in, or the current.
    level: i64,
}

/// Finds a demand that swings to and fro evenly.
#[derive(Clone, Copy, Debug, Default)]
struct Swing {
    is_rising: bool,
    /// Highest or lowest so far, and how many steps ago.
    extreme: i64,
    since: i64,
    /// Steps between the last turning points, newest first.
    halves: [i64; 3],
    /// Demand at the last turning point, and how far it had swung to it.
    turned: i64,
    height: i64,
    /// Turning points in a row that were as far apart as those before, and the swing no smaller.
    even: i64,
}

/// The loop.
#[derive(Clone, Debug)]
pub struct Controller {
    set: Settings,
    per_inertia: PerInertia,
    demand: Demand,
    is_armed: bool,
    is_leaving: bool,
    why: Why,

    samples: [Sample; HISTORY],
    at: u32,
    tail: u32,
    teeth: i64,
    last_teeth: u8,
    sum: i64,
    has_begun: bool,

    speed: i64,
    /// Torque with full output at this speed, Q16.
    full: i64,
    engine: i64,
    gap: i64,
    is_turning: bool,

    place: i64,
    low: Edge,
    high: Edge,
    output: i64,
    boost: i64,

    /// The highest speed that was ordered since the last order.
    top: i64,
    reference: i64,
    acceleration: i64,
    wanted: i64,
    trim: i64,
    kept: i64,

    apart: i64,
    torque_apart: i64,
    without: i64,
    running_off: i64,
    /// Torque beside that of the map, Q16, and for how many steps it has had a load to learn that by.
    strength: i64,
    loaded: i64,
    /// The least opening of the throttle since it was last opened, Q16; for how many steps neither that nor an order has changed
    /// anything; and what the engine has made since, Q16.
    opening: i64,
    unchanged: i64,
    made: i64,
    /// Sums of the greatest and the least change of speed; the speed last measured, and those sums in the middle of its window.
    changes: [i64; 2],
    seen: i64,
    allowed: [i64; 2],
    /// Speed beyond the greatest and the least, Q16.
    gained: i64,
    sunk: i64,
    swing: Swing,
    backed_off: u8,
}

impl Settings {
    /// Whether the loop can work with them: nothing to divide by is 0, maps rise, and no product is too great.
    #[must_use]
    pub fn fit(&self) -> bool {
        const WORD: i64 = i32::MAX as i64;
        let ranges = [
            (self.rate_hz, 100, 4_000),
            (self.tick_hz, 100_000, 50_000_000),
            (self.teeth, 1, 1_000),
            (self.window_teeth, 1, 1_000),
            (self.inertia, 16, WORD),
            (self.firmness, 1, 1_024),
            (self.hold, 1, WORD),
            (self.approach, 1, 1 << 20),
            (self.lead, 256, 1 << 14),
            (self.lag, 1, 1 << 20),
            (self.slew, 0, 1 << 20),
            (self.output_min, -16 * Q16, 0),
            (self.output_max, Q16, 16 * Q16),
            (self.stall, Q16, WORD),
            (self.speed_max, self.stall, WORD),
            (self.engine_max, 1, WORD),
            (self.torque_slew, 1, WORD),
            (self.follow, 1, Q16),
            (self.follow_steps, 1, 1_000),
            (self.output_for[0], 0, 0),
            (self.output_for[SHARES], 1, Q16),
            (self.map_speed[0], 1, SPEED_MAX),
            (self.map_speed[MAP_POINTS - 1], 1, SPEED_MAX),
        ];
        ranges
            .iter()
            .all(|(value, low, high)| (low..=high).contains(&value))
            && self.map_speed.is_sorted_by(|left, right| left < right)
            && self.output_for.is_sorted_by(|left, right| left < right)
            && self
                .map_torque
                .iter()
                .all(|torque| (0..=WORD).contains(torque))
    }

    /// Torque with full output at a speed, Q16.
    pub(super) fn full_torque(&self, speed: i64) -> i64 {
        let mut left = (0, 0);
        for (&right, &torque) in self.map_speed.iter().zip(&self.map_torque) {
            if speed < right {
                return left.1 + (torque - left.1) * (speed - left.0) / (right - left.0);
            }
            left = (right, torque);
        }
        left.1
    }

    /// Output for a share of it, both Q16.
    pub(super) fn output_for(&self, share: i64) -> i64 {
        let share = share.clamp(0, Q16);
        let mut piece = 0;
        while piece < 7 && share >= square_of(piece + 1) {
            piece += 1;
        }
        let ((left, right), (from, to)) = (self.piece(piece), squares_of(piece));
        left + (right - left) * (share - from) / (to - from)
    }

    /// Share of the torque at an output, both Q16.
    pub(super) fn share_of(&self, output: i64) -> i64 {
        let output = output.clamp(0, Q16);
        let mut piece = 0;
        while piece < 7 && output >= self.piece(piece).1 {
            piece += 1;
        }
        let ((left, right), (from, to)) = (self.piece(piece), squares_of(piece));
        from + ((to - from) * (output - left) / (right - left).max(1)).clamp(0, to - from)
    }

    fn piece(&self, piece: i64) -> (i64, i64) {
        let at = usize::try_from(piece).unwrap_or(0).min(SHARES - 1);
        (self.output_for[at], self.output_for[at + 1])
    }
}

/// The square of eighths, Q16.
const fn square_of(eighths: i64) -> i64 {
    eighths * eighths * (Q16 / 64)
}

/// Shares of the torque that a piece goes between.
const fn squares_of(piece: i64) -> (i64, i64) {
    (square_of(piece), square_of(piece + 1))
}

impl Controller {
    /// No load, and nobody has armed it.
    #[must_use]
    pub fn new(settings: Settings) -> Self {
        Self {
            per_inertia: PerInertia::new(settings.inertia),
            set: settings,
            demand: Demand::default(),
            is_armed: false,
            is_leaving: false,
            why: Why::NotArmed,
            samples: [Sample::default(); HISTORY],
            at: 0,
            tail: 0,
            teeth: 0,
            last_teeth: 0,
            sum: 0,
            has_begun: false,
            speed: 0,
            full: 0,
            engine: 0,
            gap: 0,
            is_turning: false,
            place: 0,
            low: Edge::default(),
            high: Edge::default(),
            output: 0,
            boost: 0,
            top: 0,
            reference: 0,
            acceleration: 0,
            wanted: 0,
            trim: 0,
            kept: 0,
            apart: 0,
            torque_apart: 0,
            without: 0,
            running_off: 0,
            strength: Q16,
            loaded: 0,
            opening: 0,
            unchanged: 0,
            made: 0,
            changes: [0; 2],
            seen: 0,
            allowed: [0; 2],
            gained: 0,
            sunk: 0,
            swing: Swing::default(),
            backed_off: 0,
        }
    }

    /// A person's word: load may be put on. It begins off.
    pub fn arm(&mut self) {
        self.is_armed = true;
        self.is_leaving = false;
        self.why = Why::None;
        self.demand = Demand::default();
        self.strength = Q16;
        self.loaded = 0;
        self.swing = Swing::default();
        self.backed_off = 0;
    }

    /// Whether a person armed it, and nothing has ended that.
    #[must_use]
    pub fn is_armed(&self) -> bool {
        self.is_armed
    }

    /// Takes the load off, at the rate of the torque mode, and then needs a person's word again.
    pub fn disarm(&mut self) {
        self.demand(Demand::default());
        self.is_leaving = true;
    }

    /// Changes what to do, from where things are.
    pub fn demand(&mut self, demand: Demand) {
        if demand.mode != self.demand.mode {
            self.reference = self.speed;
            self.acceleration = 0;
            self.wanted = self.held_torque();
            self.trim = 0;
        }
        self.top = SPEED_MAX;
        // At another speed the engine makes another torque.
        self.unchanged = 0;
        self.demand = demand;
    }

    /// The absorber's torque as the model has it, Q16.
    fn held_torque(&self) -> i64 {
        (self.full * self.set.share_of(self.place)) >> 16
    }

    /// Steps one on.
    pub fn step(&mut self, inputs: &Inputs) -> Outputs {
        let measured = self.observe(inputs);
        let lost = self.compare(inputs, measured);
        self.watch(inputs, measured, lost);
        let wants_cut = self.is_armed && self.why > Why::Cut;
        let torque = self.torque(inputs);
        let is_saturated = torque > self.full || torque < 0;
        let given = torque.clamp(0, self.full.max(0));
        self.watch_swings(given);
        self.put_out(given, inputs.measured);
        Outputs {
            output: self.output,
            wants_cut,
            torque,
            speed: self.speed,
            reference: self.reference,
            engine: self.engine,
            saturated: is_saturated && self.is_armed,
            holds: self.output > 0,
            why: self.why,
            backed_off: self.backed_off,
        }
    }

    /// Speed of the last whole turn, and the model moved on and corrected by it. Returns the measured speed.
    fn observe(&mut self, inputs: &Inputs) -> i64 {
        if !self.has_begun {
            self.has_begun = true;
            self.last_teeth = inputs.teeth;
            for sample in &mut self.samples {
                sample.tick = inputs.tooth_tick;
            }
        }
        self.teeth += i64::from(inputs.teeth.wrapping_sub(self.last_teeth));
        self.last_teeth = inputs.teeth;
        self.samples[slot(self.at)] = Sample {
            tick: inputs.tooth_tick,
            teeth: self.teeth,
            sum: self.sum,
            changes: self.changes,
        };
        while self.tail + 1 < self.at
            && self.teeth - self.samples[slot(self.tail + 1)].teeth >= self.set.window_teeth
        {
            self.tail += 1;
        }
        if self.at > HISTORY_MASK && self.tail < self.at - HISTORY_MASK {
            self.tail = self.at - HISTORY_MASK;
        }
        let first = self.samples[slot(self.tail)];
        let turned = self.teeth - first.teeth;
        let ticks = i64::from(inputs.tooth_tick.wrapping_sub(first.tick));
        // 2π · 65,536 = 411,775.
        let measured = if turned > 0 && ticks > 0 {
            (411_775 * turned * self.set.tick_hz / (self.set.teeth * ticks)).min(SPEED_MAX)
        } else {
            0
        };
        let period = if turned > 0 { ticks / turned } else { 0 };
        // A tooth may come after the step's time was read.
        let silent = i64::from(inputs.tick.wrapping_sub(inputs.tooth_tick).cast_signed()).max(0);
        let step_ticks = self.set.tick_hz / self.set.rate_hz;
        self.gap = if period > 0 {
            silent - 4 * period - 2 * step_ticks
        } else {
            0
        };
        self.is_turning = measured > 0 && self.gap <= 0;

        let steps = i64::from(self.at - self.tail);
        let mean = if steps > 0 {
            (self.sum - first.sum) / steps
        } else {
            self.speed
        };
        let deviation = if self.is_turning { measured - mean } else { 0 };
        if self.is_turning && deviation.abs() > (measured >> 2) + Q16 {
            self.begin_model(measured);
        } else {
            let accelerating = self.engine - self.held_torque();
            // Twice the dead time in steps. SIMC for an integrator: 1 / 2θ, and the integral's time 4 · 2θ.
            let late = steps + 4;
            let part = ((deviation * self.gain(self.set.firmness)) >> 8) / late;
            let torque =
                ((part * self.gain(self.set.firmness)) >> 8) * self.set.rate_hz / (4 * late);
            self.speed += self.per_inertia.of(accelerating) / self.set.rate_hz + part;
            self.engine += (torque * self.set.inertia) >> 20;
            let most = 2 * self.set.engine_max;
            self.engine = self.engine.clamp(-most, most);
            self.speed = self.speed.clamp(0, SPEED_MAX);
        }
        if turned == 0 && self.why != Why::SensorLost {
            self.begin_model(0);
        }
        self.full = self.set.full_torque(self.speed);
        self.sum += self.speed;
        self.at += 1;
        measured
    }

    /// A gain, halved for each time that it swung.
    fn gain(&self, gain: i64) -> i64 {
        gain >> self.backed_off
    }

    fn begin_model(&mut self, speed: i64) {
        self.speed = speed;
        self.full = self.set.full_torque(speed);
        self.engine = if speed == 0 { 0 } else { self.held_torque() };
        self.reference = speed;
        for back in 0..=HISTORY_MASK.min(self.at) {
            let at = self.at - back;
            self.samples[slot(at)].sum = self.sum - speed * i64::from(back);
        }
    }

    /// Holds what is measured against what a sound absorber can be doing. Whether the load is lost.
    ///
    /// For the speed that is the gain which no engine makes against what the absorber surely gives: a throttle snapped open
    /// explains what the engine's greatest torque makes of it, a slow valve what comes of it when it lags. Whatever there is
    /// beyond is added up, and forgotten within some tenths of a second. A speed that stays is never a loss.
    fn compare(&mut self, inputs: &Inputs, measured: i64) -> bool {
        let at = |level: i64| (self.full * self.set.share_of(level)) >> 16;
        let (low, high) = (self.low.level, self.high.level);
        let follow = self.set.follow;
        // A coil's resistance grows by four tenths when it is hot.
        let hot = if self.set.slew > 0 { low } else { low * 5 / 7 };

        // Less than it must be, or more than it can be.
        let is_apart = inputs.measured.is_some_and(|it| {
            let it = i64::from(it);
            (hot > Q16 / 16 && it < hot - follow.min(hot / 2)) || it > high + follow
        });
        self.apart = if is_apart { self.apart + 1 } else { 0 };

        // What is not known of a valve's place or of a current. Hot, a coil has a third less torque than a map has cold.
        let sure = if self.set.slew > 0 || inputs.torque.is_some() {
            6
        } else {
            5
        };
        let surely =
            |level: i64| ((at(level - Q16 / 32) * self.strength.min(Q16)) >> 16) * sure / 8;
        let known = inputs
            .measured
            .map_or(hot, |it| i64::from(it).max(hot).min(high));
        let least = surely(known);
        // A map may be far too weak, as long as no torque has shown for a second that it is not.
        let quarters = if inputs.torque.is_some() && self.loaded >= self.set.rate_hz {
            5
        } else {
            12
        };
        let most = ((at(high + Q16 / 32) * self.strength.max(Q16)) >> 16) * quarters / 4;
        // A sensor of torque may be late, and water knocks as its valve moves.
        let wide = self.set.engine_max / if self.set.slew > 0 { 4 } else { 8 };
        let differs = inputs.torque.is_some_and(|it| {
            let it = i64::from(it);
            it < surely(hot) - wide || it > most + wide
        });
        self.torque_apart = if differs { self.torque_apart + 1 } else { 0 };

        // How strong it is beside its map: as strong as makes its torque at least; and at most, which is learnt slowly, for it may be
        // a loss; nor stronger than the engine that it holds.
        let is_loaded = self.place > Q16 / 16;
        if is_loaded {
            self.loaded = (self.loaded + 1).min(self.set.rate_hz);
            // To 1/256.
            let by = |torque: i64, by_map: i64| {
                ((torque / (by_map >> 8).max(1)) << 8).clamp(Q16 / 8, 8 * Q16)
            };
            let (below, above) = match inputs.torque.map(i64::from) {
                Some(torque) => (by(torque, at(high)), by(torque, at(hot))),
                None => (Q16 / 8, by(self.set.engine_max, self.engine)),
            };
            let up = (below - self.strength).max(0) * 4;
            let down = (above - self.strength).min(0);
            self.strength += (up + down) / self.set.rate_hz;
        }

        // Where the throttle is read and was not opened, the engine makes what it has made: what is measured so holds whatever the
        // map is wrong by, or heat has left of it. It comes back sooner than it fades: engines miss, and pull on.
        let opening = i64::from(inputs.throttle.unwrap_or(0));
        let is_opened = opening > self.opening + Q16 / 32;
        if is_opened || opening < self.opening {
            self.opening = opening;
        }
        self.unchanged = if inputs.throttle.is_none() || is_opened || !is_loaded {
            0
        } else {
            (self.unchanged + 1).min(self.set.rate_hz)
        };
        let is_known = self.unchanged == self.set.rate_hz;
        let more = self.engine - self.made;
        self.made += match (is_known, more > 0) {
            (true, true) => more / (self.set.rate_hz * 2),
            (true, false) => more / (self.set.rate_hz * 8),
            (false, true) => more,
            (false, false) => more * 2 / self.set.rate_hz,
        };
        let engine_max = self.set.engine_max;
        let by_map = engine_max - least;
        let free = if is_known {
            let level = if inputs.measured.is_some() {
                known
            } else {
                low
            };
            by_map.min((self.made - at(level - Q16 / 32)) * 11 / 8 + engine_max / 16)
        } else {
            by_map
        };

        let planned = if self.demand.mode == Mode::Speed {
            self.acceleration.max(0)
        } else {
            0
        };
        let rise = self.per_inertia.of(free).max(planned * 5 / 4);
        // The throttle closed.
        let fall = -self.per_inertia.of(engine_max / 2 + most) * 5 / 4;
        self.changes[0] += rise / self.set.rate_hz;
        self.changes[1] += fall / self.set.rate_hz;
        // A speed over a window is that of its middle.
        let last = self.at.wrapping_sub(1);
        let middle = self.samples[slot(last - (last - self.tail) / 2)];
        let change = measured - self.seen;
        let beyond = |place: usize| change - (middle.changes[place] - self.allowed[place]);
        let leak = |it: i64| it - it * 4 / self.set.rate_hz;
        let (gained, sunk) = (leak(self.gained + beyond(0)), leak(self.sunk + beyond(1)));
        self.gained = if is_loaded && self.is_turning {
            gained.max(0)
        } else {
            0
        };
        self.sunk = if self.is_turning { sunk.min(0) } else { 0 };
        self.seen = measured;
        self.allowed = middle.changes;
        self.apart > self.set.follow_steps
            || self.torque_apart > self.set.follow_steps * 3 / 2
            || self.gained * GAINED > measured
            || self.sunk * SUNK < -measured
    }

    /// Finds what is wrong. The first reason stays until a person arms again.
    fn watch(&mut self, inputs: &Inputs, measured: i64, is_lost: bool) {
        if !self.is_armed || self.why != Why::None {
            return;
        }
        self.without = if self.place > Q16 / 16 && inputs.no_supply {
            self.without + 1
        } else {
            0
        };
        let top = match self.demand.mode {
            Mode::Speed => self.top,
            _ => self.set.speed_max,
        };
        let runs = self.output >= self.set.output_for[SHARES] - Q16 / 64
            && self.place >= Q16 - Q16 / 32
            && measured > top + top / 32
            && self.engine > self.full;
        self.running_off = if runs { self.running_off + 1 } else { 0 };
        let is_past = self.place > Q16 / 16 && measured > top + top / 12;

        // What is too hot cuts on some boards by itself.
        self.why = if inputs.too_hot {
            Why::TooHot
        } else if inputs.cut {
            Why::Cut
        } else if self.gap > 0 && self.speed > self.set.stall {
            Why::SensorLost
        } else if is_lost || self.without * 200 > self.set.rate_hz {
            Why::LoadLost
        } else if is_past || self.running_off * 20 > self.set.rate_hz {
            Why::Saturated
        } else {
            Why::None
        };
        if self.why != Why::None {
            self.kept = self.held_torque().max(0);
            if self.why == Why::SensorLost {
                self.engine = 0;
            }
        }
    }

    /// Makes the loop softer when its demand swings evenly, by more than a third of the torque that it holds: an engine that fires
    /// unevenly makes it do so now and then, but at no even pace, and what rings fades.
    fn watch_swings(&mut self, given: i64) {
        if self.demand.mode == Mode::Output {
            // Whoever orders outputs may switch them to and fro: for tuning.
            self.swing = Swing::default();
            return;
        }
        let steps = i64::from(self.at - self.tail);
        let wide = (self.engine / 3).max(self.set.engine_max / 16);
        let it = &mut self.swing;
        it.since += 1;
        it.halves[0] += 1;
        let beyond = if it.is_rising {
            given - it.extreme
        } else {
            it.extreme - given
        };
        if beyond >= 0 {
            (it.extreme, it.since) = (given, 0);
        } else if -beyond > wide {
            let half = it.halves[0] - it.since;
            let (period, before) = (half + it.halves[1], it.halves[1] + it.halves[2]);
            let height = (it.extreme - it.turned).abs();
            let is_even = half >= steps
                && height * 3 >= it.height * 2
                && period * 4 > before * 3
                && period * 3 < before * 4
                && period < self.set.rate_hz * 2;
            it.even = if is_even { it.even + 1 } else { 0 };
            it.halves = [it.since, half, it.halves[1]];
            (it.turned, it.height) = (it.extreme, height);
            it.is_rising = !it.is_rising;
            (it.extreme, it.since) = (given, 0);
            if it.even >= EVEN && self.backed_off < 3 {
                self.backed_off += 1;
                it.even = 0;
            }
        }
    }

    /// Torque to ask of the absorber, Q16; more than it has, or less than none, when it is not enough.
    fn torque(&mut self, inputs: &Inputs) -> i64 {
        if !self.is_armed {
            return 0;
        }
        let torque = if self.why == Why::None {
            match self.demand.mode {
                Mode::Off => self.off_torque(),
                Mode::Speed => self.speed_torque(),
                Mode::Torque => self.torque_torque(inputs),
                Mode::Road => self.road_torque(),
                Mode::Output => (self.full * self.set.share_of(self.demand.target)) >> 16,
            }
        } else {
            self.kept
        };
        // Never at standstill, and less before it.
        let above = self.speed - self.set.stall;
        let wide = self.set.stall / 2;
        // A speed that is only reckoned comes near it, and never there: it has no drag.
        let is_reckoned = self.why == Why::SensorLost;
        let least = if is_reckoned { wide / 8 } else { 0 };
        if above <= least || !(self.is_turning || is_reckoned) {
            self.kept = 0;
            self.reference = self.speed;
            if self.why > Why::NotArmed {
                self.is_armed = false;
            }
            0
        } else if above < wide {
            torque.min(self.full) * above / wide
        } else {
            torque
        }
    }

    fn speed_torque(&mut self) -> i64 {
        // Seven eighths of what there is.
        let most = |torque: i64| self.per_inertia.of(torque.max(Q16 / 16)) * 7 / 8;
        let (mut up, mut down) = (most(self.engine), most(self.full - self.engine));
        if self.demand.rate > 0 {
            up = up.min(self.demand.rate);
            down = down.min(self.demand.rate);
        }
        let away = self.demand.target - self.reference;
        let mut acceleration = ((away * self.set.approach) >> 8).clamp(-down, up);
        if self.set.slew > 0 {
            // A valve changes it no faster; a part of that is left for corrections. Ending evenly, it takes the root of this.
            let slew = (self.set.slew * self.full.max(0)) >> 8;
            let jerk = self.per_inertia.of(slew).min(JERK_MAX);
            let most = (away.abs() * (jerk / 2)).isqrt();
            let change = jerk / self.set.rate_hz;
            acceleration = acceleration
                .clamp(-most, most)
                .clamp(self.acceleration - change, self.acceleration + change);
        }
        self.acceleration = acceleration;
        let before = self.reference;
        self.reference += acceleration / self.set.rate_hz;
        // The last step is too short to count; where a valve turns round it stands for a moment, and goes on.
        if self.reference == before && away.abs() < Q16 / 16 {
            self.reference = self.demand.target;
        }
        self.top = self.top.min(self.reference).max(self.demand.target);
        // A reference that the stand can't follow waits for it.
        let apart = (self.speed >> 5) + Q16;
        self.reference = self.reference.clamp(self.speed - apart, self.speed + apart);
        let hold = self.gain(self.set.hold);
        self.engine - ((acceleration * self.set.inertia) >> 20)
            + (((self.speed - self.reference) * hold) >> 16)
    }

    fn off_torque(&mut self) -> i64 {
        self.ramp(0);
        if self.is_leaving && self.wanted == 0 {
            self.is_armed = false;
            self.why = Why::NotArmed;
        }
        self.wanted
    }

    fn ramp(&mut self, target: i64) {
        let change = self.set.torque_slew / self.set.rate_hz;
        self.wanted += (target - self.wanted).clamp(-change, change);
    }

    fn torque_torque(&mut self, inputs: &Inputs) -> i64 {
        self.ramp(self.demand.target);
        if let Some(torque) = inputs.torque {
            let most = self.full >> 2;
            self.trim += (self.wanted - i64::from(torque)) * 2 / self.set.rate_hz;
            self.trim = self.trim.clamp(-most, most);
        }
        self.below_speed_max(self.wanted + self.trim)
    }

    fn road_torque(&self) -> i64 {
        let linear = (self.demand.rate * self.speed) >> 16;
        let per_speed = ((self.demand.square * self.speed) >> 16).clamp(-SQUARE_MAX, SQUARE_MAX);
        let square = (per_speed * self.speed) >> 32;
        self.below_speed_max(self.demand.target + linear + square)
    }

    /// More torque than asked for where the speed would get too high.
    fn below_speed_max(&self, torque: i64) -> i64 {
        let above = self.speed - self.set.speed_max;
        torque.max(self.engine + ((above * self.gain(self.set.hold)) >> 16))
    }

    /// Output for a torque, and the absorber's model moved on by it.
    fn put_out(&mut self, torque: i64, measured: Option<i32>) {
        let share = if self.full > 0 {
            (torque << 16) / self.full
        } else {
            0
        };
        let wanted = self.set.output_for(share);
        let lead = ((wanted - self.place) * self.set.lead) >> 8;
        let output = (self.place + lead).clamp(self.set.output_min, self.set.output_max);
        // The last thousandth is not driven out.
        if torque == 0 && self.place <= Q16 / 1_024 {
            self.place = 0;
        }
        let output = if torque == 0 && self.place == 0 {
            0
        } else {
            output + self.boost
        };
        let output = output.clamp(self.set.output_min, self.set.output_max);
        let before = self.output;
        self.output = if self.set.slew > 0 {
            let most = (self.set.slew << 8) / self.set.rate_hz;
            output.clamp(before - most, before + most)
        } else {
            output
        };
        let driven = self.output - self.boost;
        self.place += (((driven - self.place) * self.set.lag) >> 8) / self.set.rate_hz;
        self.place = self.place.clamp(0, Q16);
        self.low = self.edge(self.low, false);
        self.high = self.edge(self.high, true);
        // A coil gets warm, and its current less: the output makes up for it slowly.
        if let Some(measured) = measured {
            let apart = self.place - i64::from(measured);
            self.boost += ((apart * self.set.lag) >> 10) / self.set.rate_hz;
            self.boost = self.boost.clamp(-Q16 / 2, Q16 / 2);
        }
        if torque == 0 {
            self.boost = 0;
        }
    }

    /// Moves the least or the most that a sound absorber can have let in, cold: its valve and its lag are slower than stated by a
    /// quarter, or faster by a half, a coil's lag where its iron is saturated by twice.
    fn edge(&self, from: Edge, is_high: bool) -> Edge {
        let Settings {
            lag, slew, rate_hz, ..
        } = self.set;
        let pace = |by: i64, fast: i64| if (by > 0) == is_high { fast } else { 3 };
        let mut it = from;
        if slew > 0 {
            let away = self.output.clamp(0, Q16) - it.valve;
            let most = (slew << 8) / rate_hz * pace(away, 6) / 4;
            it.valve += away.clamp(-most, most);
        } else {
            it.valve = self.output;
        }
        let away = it.valve - it.level;
        let moved = ((away * lag) >> 8) * pace(away, 8) / 4 / rate_hz;
        it.level = (it.level + moved.clamp(-away.abs(), away.abs())).clamp(0, Q16);
        it
    }
}

/// A gain of one part in so many that nothing explains is a loss.
const GAINED: i64 = 144;
/// The same of a speed that falls.
const SUNK: i64 = 48;
/// Turning points at an even pace after which it swings.
const EVEN: i64 = 5;

fn slot(at: u32) -> usize {
    usize::try_from(at & HISTORY_MASK).unwrap_or(0)
}
