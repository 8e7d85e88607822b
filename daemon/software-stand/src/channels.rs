//! Load cells, analog inputs and temperature sensors: from what is true to counts.

use std::f64::consts::TAU;

use leverarm_torque::engine::AirState;

use super::breathing::Gases;
use super::model::{
    AnalogChannel, AnalogSensor, AnalogSource, ForceChannel, Reaction, StandModel,
    TemperatureChannel, TemperatureLaw, TemperatureSource,
};
use super::noise::{Noise, Stream};
use super::step::STEP_S;
use super::thermocouple;

/// Counts of a broken sensor, by the protocol's specification.
const SENSOR_BROKEN: i32 = i32::MAX;

/// Ends of the range of a load cell's converter, counts: it has 24 bits.
const FORCE_COUNTS: std::ops::RangeInclusive<f64> = -8_388_608.0..=8_388_607.0;

/// What the sensors are exposed to.
#[derive(Clone, Copy, Debug)]
pub(super) struct Exposure {
    /// Crank torque with its ripple, N·m.
    pub(super) engine_nm: f64,
    /// By how much that is above the mean, N·m.
    pub(super) pulse_nm: f64,
    /// Brake torque, N·m.
    pub(super) brake_nm: f64,
    /// Throttle opening, 0–1.
    pub(super) throttle: f64,
    /// Temperature of the exhaust's sensor, K.
    pub(super) exhaust_k: f64,
    /// Temperature of the head's sensor, K.
    pub(super) head_k: f64,
}

/// A potentiometer on the throttle's shaft that the board reads for its loop: scanned now and then, and noisy.
#[derive(Clone, Debug)]
pub(super) struct ThrottleSensor {
    /// Opening as last scanned.
    pub(super) shown: f64,
    steps: u32,
    noise: Noise,
}

/// Scans come so many steps apart: 100 a second.
const THROTTLE_SCAN_STEPS: u32 = 200;
/// Noise of its wiper and wires (common practice, no source).
const THROTTLE_NOISE_RMS: f64 = 0.004;

impl ThrottleSensor {
    pub(super) fn new(seed: u64) -> Self {
        Self {
            shown: 0.0,
            steps: 0,
            noise: Noise::new(seed, Stream::Throttle),
        }
    }

    /// Lets it be scanned when it is time.
    pub(super) fn follow(&mut self, opening: f64) {
        if self.steps.is_multiple_of(THROTTLE_SCAN_STEPS) {
            self.shown = opening + self.noise.normal(THROTTLE_NOISE_RMS);
        }
        self.steps = self.steps.wrapping_add(1);
    }
}

/// A load cell: first-order lag, then counts.
#[derive(Clone, Debug)]
pub(super) struct LoadCell {
    channel: ForceChannel,
    force_n: f64,
    /// Where the mains is, turns.
    mains: f64,
    noise: Noise,
}

impl LoadCell {
    pub(super) fn new(channel: ForceChannel, index: u8, seed: u64) -> Self {
        Self {
            channel,
            force_n: 0.0,
            mains: 0.0,
            noise: Noise::new(seed, Stream::Force(index)),
        }
    }

    /// Lets the cell follow the torque for one step.
    pub(super) fn follow(&mut self, exposure: &Exposure) {
        let torque_nm = match self.channel.reaction {
            Reaction::Engine => exposure.engine_nm,
            Reaction::Brake => exposure.brake_nm + self.channel.shaking * exposure.pulse_nm,
        };
        let step = -(-STEP_S / self.channel.lag_s).exp_m1();
        self.force_n += step * (torque_nm / self.channel.arm_m - self.force_n);
        self.mains = (self.mains + STEP_S * self.channel.hum.frequency_hz).fract();
    }

    pub(super) fn counts(&mut self) -> i32 {
        let ForceChannel {
            counts_per_n,
            zero_counts,
            noise_counts_rms,
            hum,
            ..
        } = self.channel;
        let hum = hum.amplitude_counts * (TAU * self.mains).sin();
        let counts = zero_counts + counts_per_n * self.force_n + hum;
        let noisy = counts + self.noise.normal(noise_counts_rms);
        to_i32(noisy.clamp(*FORCE_COUNTS.start(), *FORCE_COUNTS.end()))
    }
}

/// The analog inputs of one scan.
#[derive(Clone, Debug)]
pub(super) struct AnalogScan {
    noise: Noise,
}

impl AnalogScan {
    pub(super) fn new(seed: u64) -> Self {
        Self {
            noise: Noise::new(seed, Stream::Analog),
        }
    }

    /// Counts of every channel, little endian as in a frame.
    pub(super) fn counts(
        &mut self,
        model: &StandModel,
        gases: &Gases,
        exposure: &Exposure,
    ) -> Vec<[u8; 2]> {
        let value = |source| match source {
            AnalogSource::Throttle => exposure.throttle,
            AnalogSource::AirPressure => model.air.pressure_pa,
            AnalogSource::AirTemperature => model.air.temperature_k,
            AnalogSource::RelativeHumidity => model.air.relative_humidity,
            AnalogSource::Engine(role) => gases.value(role, model, exposure.head_k),
            AnalogSource::Constant(value) => value,
        };
        let mut counts = |channel: &AnalogChannel| {
            let sensed = sensed(channel.sensor, value(channel.source), model);
            let exact = (sensed - channel.at_zero) / channel.per_count;
            let noisy = exact + self.noise.normal(channel.noise_counts_rms);
            to_i16(noisy.clamp(0.0, f64::from(channel.counts_max.max(0)))).to_le_bytes()
        };
        model.analogs.iter().map(&mut counts).collect()
    }
}

/// What a sensor makes of a value.
fn sensed(sensor: AnalogSensor, value: f64, model: &StandModel) -> f64 {
    match sensor {
        AnalogSensor::Straight => value,
        AnalogSensor::Thermal(meter) => meter.volt(value),
        AnalogSensor::Difference(meter) => {
            let air = AirState {
                pressure_pa: model.air.pressure_pa,
                temperature_k: model.air.temperature_k,
                density_kg_per_m3: model.air.density_kg_per_m3(),
            };
            let (mut low, mut high) = (0.0, 0.2 * air.pressure_pa);
            for _ in 0..40 {
                let middle = f64::midpoint(low, high);
                let flow = meter.mass_flow_kg_per_s(middle, &air);
                if flow.is_ok_and(|flow| flow < value) {
                    low = middle;
                } else {
                    high = middle;
                }
            }
            low
        }
    }
}

/// A temperature sensor.
#[derive(Clone, Debug)]
pub(super) struct Thermometer {
    channel: TemperatureChannel,
    noise: Noise,
}

impl Thermometer {
    pub(super) fn new(channel: TemperatureChannel, index: u8, seed: u64) -> Self {
        Self {
            channel,
            noise: Noise::new(seed, Stream::Temperature(index)),
        }
    }

    /// Another thing to measure from now on.
    pub(super) fn measures(&mut self, source: TemperatureSource) {
        self.channel.source = source;
    }

    /// Counts of a reading; none where there is no reading.
    pub(super) fn counts(&mut self, air_k: f64, exposure: &Exposure) -> Option<i32> {
        let temperature_k = match self.channel.source {
            TemperatureSource::Head => exposure.head_k,
            TemperatureSource::Exhaust => exposure.exhaust_k,
            TemperatureSource::Air => air_k,
            TemperatureSource::Cooled { from_k } => {
                exposure.head_k.min(from_k) + 0.1 * (exposure.head_k - from_k).max(0.0)
            }
            TemperatureSource::Broken => return Some(SENSOR_BROKEN),
            TemperatureSource::Silent => return None,
        };
        let counts = match self.channel.law {
            TemperatureLaw::Linear {
                at_zero_k,
                k_per_count,
            } => (temperature_k - at_zero_k) / k_per_count,
            TemperatureLaw::ThermocoupleK { volt_per_count } => {
                let volt = thermocouple::type_k_v(temperature_k) - thermocouple::type_k_v(air_k);
                volt / volt_per_count
            }
        };
        Some(to_i32(
            counts + self.noise.normal(self.channel.noise_counts_rms),
        ))
    }
}

#[expect(
    clippy::cast_possible_truncation,
    reason = "a converter stops at its ends, as `as` does"
)]
fn to_i32(counts: f64) -> i32 {
    counts.round() as i32
}

#[expect(
    clippy::cast_possible_truncation,
    reason = "a converter stops at its ends, as `as` does"
)]
fn to_i16(counts: f64) -> i16 {
    counts.round() as i16
}
