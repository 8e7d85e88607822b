//! Load cells, analog inputs and temperature sensors: from what is true to counts.

use std::f64::consts::TAU;

use super::mechanics::STEP_S;
use super::model::{
    AnalogChannel, AnalogSource, ForceChannel, Reaction, StandModel, TemperatureChannel,
    TemperatureLaw, TemperatureSource,
};
use super::noise::{Noise, Stream};
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
    /// Brake torque, N·m.
    pub(super) brake_nm: f64,
    /// Throttle opening, 0–1.
    pub(super) throttle: f64,
    /// Whether the engine fires.
    pub(super) firing: bool,
    /// Temperature of the head's sensor, K.
    pub(super) head_k: f64,
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
            Reaction::Brake => exposure.brake_nm,
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
    pub(super) fn counts(&mut self, model: &StandModel, exposure: &Exposure) -> Vec<[u8; 2]> {
        /// What a lambda sensor's controller reports in plain air.
        const LAMBDA_OF_AIR: f64 = 2.0;
        let value = |source| match source {
            AnalogSource::Throttle => exposure.throttle,
            AnalogSource::AirPressure => model.air.pressure_pa,
            AnalogSource::AirTemperature => model.air.temperature_k,
            AnalogSource::RelativeHumidity => model.air.relative_humidity,
            AnalogSource::Lambda if exposure.firing => model.engine.lambda,
            AnalogSource::Lambda => LAMBDA_OF_AIR,
            AnalogSource::Constant(value) => value,
        };
        let mut counts = |channel: &AnalogChannel| {
            let exact = (value(channel.source) - channel.at_zero) / channel.per_count;
            let noisy = exact + self.noise.normal(channel.noise_counts_rms);
            to_i16(noisy.clamp(0.0, f64::from(channel.counts_max.max(0)))).to_le_bytes()
        };
        model.analogs.iter().map(&mut counts).collect()
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

    pub(super) fn counts(&mut self, air_k: f64, exposure: &Exposure) -> i32 {
        let temperature_k = match self.channel.source {
            TemperatureSource::Head => exposure.head_k,
            TemperatureSource::Air => air_k,
            TemperatureSource::Broken => return SENSOR_BROKEN,
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
        to_i32(counts + self.noise.normal(self.channel.noise_counts_rms))
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
