//! Flow meters: pressure differences after ISO 5167, hot wires after King, and how flow goes with
//! depression.

use std::f64::consts::PI;

/// Depressions at which carburettors and throttle bodies are rated, Pa: 1.5 inHg for four barrels,
/// 3 inHg for one and two (common practice, no source).
pub const TEST_DEPRESSIONS_PA: [f64; 2] = [1.5 * INCH_OF_MERCURY_PA, 3.0 * INCH_OF_MERCURY_PA];

/// Conventional inch of mercury (NIST SP 811, B.8).
const INCH_OF_MERCURY_PA: f64 = 3_386.389;

/// Ratio of the specific heats of air.
const KAPPA: f64 = 1.4;

/// Where the pressure is taken at an orifice plate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Taps {
    /// In the corners at the plate.
    Corner,
    /// One diameter before and half a diameter behind the plate.
    DAndHalfD,
    /// 25.4 mm before and behind the plate.
    Flange,
}

/// What makes the pressure difference.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FlowElement {
    /// A sharp-edged plate (ISO 5167-2).
    Orifice(Taps),
    /// A long-radius nozzle, or a bell mouth that breathes from the open (ISO 5167-3).
    Nozzle,
}

/// A meter that makes a pressure difference of a flow.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FlowMeter {
    /// What it is.
    pub element: FlowElement,
    /// Diameter of its throat.
    pub bore_m: f64,
    /// Inner diameter of the pipe before it; none when it breathes from a large box or the open.
    pub pipe_m: Option<f64>,
    /// Discharge coefficient in place of the standard's.
    pub discharge: Option<f64>,
}

/// Air ahead of a meter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AirState {
    /// Absolute pressure, Pa.
    pub pressure_pa: f64,
    /// Temperature, K.
    pub temperature_k: f64,
    /// Density, kg/m³.
    pub density_kg_per_m3: f64,
}

/// A pressure difference that is no flow.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum FlowError {
    /// Backwards, or so large that the relation does not hold.
    #[error("pressure difference: expected 0 to {max_pa:.0} Pa, found {found_pa:.0} Pa")]
    Difference {
        /// Found.
        found_pa: f64,
        /// Largest: a quarter of the pressure ahead of the meter (ISO 5167-2, 5.3.2.2).
        max_pa: f64,
    },
}

impl FlowMeter {
    /// Diameter ratio; 0 without a pipe.
    #[must_use]
    pub fn beta(&self) -> f64 {
        self.pipe_m.map_or(0.0, |pipe_m| self.bore_m / pipe_m)
    }

    /// Mass flow, kg/s (ISO 5167-1, eq. 1): `C/√(1−β⁴) · ε · π/4 d² · √(2 Δp ρ)`. The discharge
    /// coefficient depends on the flow, so both are found together.
    ///
    /// # Errors
    /// When the difference is negative or more than a quarter of the pressure.
    pub fn mass_flow_kg_per_s(&self, difference_pa: f64, air: &AirState) -> Result<f64, FlowError> {
        let max_pa = 0.25 * air.pressure_pa;
        if !(0.0..=max_pa).contains(&difference_pa) {
            return Err(FlowError::Difference {
                found_pa: difference_pa,
                max_pa,
            });
        }
        if difference_pa == 0.0 {
            return Ok(0.0);
        }
        let beta4 = self.beta().powi(4);
        let without_c = self.expansibility(difference_pa, air.pressure_pa)
            * (PI / 4.0)
            * self.bore_m.powi(2)
            * (2.0 * difference_pa * air.density_kg_per_m3 / (1.0 - beta4)).sqrt();
        let viscosity = air_viscosity_pa_s(air.temperature_k);
        let mut flow = 0.6 * without_c;
        // The coefficient changes by a few percent over a decade of flow: this converges fast.
        for _ in 0..30 {
            let reynolds = 4.0 * flow / (PI * self.bore_m * viscosity);
            flow = self.discharge_at(reynolds) * without_c;
        }
        Ok(flow)
    }

    /// Discharge coefficient at a Reynolds number of the throat (`Re_D / β` of the standard).
    #[must_use]
    pub fn discharge_at(&self, reynolds_throat: f64) -> f64 {
        if let Some(discharge) = self.discharge {
            return discharge;
        }
        match self.element {
            FlowElement::Orifice(taps) => self.reader_harris_gallagher(taps, reynolds_throat),
            // ISO 5167-3, 5.2.6.2: 0.9965 − 0.00653 √(10⁶ β / Re_D).
            FlowElement::Nozzle => 0.9965 - 0.006_53 * (1e6 / reynolds_throat).sqrt(),
        }
    }

    /// The Reader-Harris/Gallagher equation (ISO 5167-2, 5.3.2.1, eq. 4).
    fn reader_harris_gallagher(&self, taps: Taps, reynolds_throat: f64) -> f64 {
        const SMALL_PIPE_M: f64 = 0.071_12;
        let beta = self.beta();
        let million = 1e6 / reynolds_throat; // 10⁶ β / Re_D
        let (l1, l2) = match (taps, self.pipe_m) {
            (Taps::Corner, _) | (_, None) => (0.0, 0.0),
            (Taps::DAndHalfD, _) => (1.0, 0.47),
            (Taps::Flange, Some(pipe_m)) => (0.025_4 / pipe_m, 0.025_4 / pipe_m),
        };
        let plain =
            0.5961 + 0.0261 * beta.powi(2) - 0.216 * beta.powi(8) + 0.000_521 * million.powf(0.7);
        if beta == 0.0 {
            return plain;
        }
        let a = (19_000.0 / reynolds_throat).powf(0.8);
        let beta4 = beta.powi(4);
        let m2 = 2.0 * l2 / (1.0 - beta);
        let slope = (0.0188 + 0.0063 * a) * beta.powf(3.5) * (million / beta).powf(0.3);
        let upstream = (0.043 + 0.080 * (-10.0 * l1).exp() - 0.123 * (-7.0 * l1).exp())
            * (1.0 - 0.11 * a)
            * beta4
            / (1.0 - beta4);
        let downstream = -0.031 * (m2 - 0.8 * m2.powf(1.1)) * beta.powf(1.3);
        let small = match self.pipe_m {
            Some(pipe_m) if pipe_m < SMALL_PIPE_M => {
                0.011 * (0.75 - beta) * (2.8 - pipe_m / 0.025_4)
            }
            _ => 0.0,
        };
        plain + slope + upstream + downstream + small
    }

    /// Expansibility factor of air: ISO 5167-2, eq. 5, and ISO 5167-3, eq. 2.
    #[must_use]
    pub fn expansibility(&self, difference_pa: f64, pressure_pa: f64) -> f64 {
        let beta4 = self.beta().powi(4);
        let tau = 1.0 - difference_pa / pressure_pa;
        match self.element {
            FlowElement::Orifice(_) => {
                1.0 - (0.351 + 0.256 * beta4 + 0.93 * beta4 * beta4) * (1.0 - tau.powf(1.0 / KAPPA))
            }
            FlowElement::Nozzle => {
                let tau_two = tau.powf(2.0 / KAPPA);
                let gas = KAPPA * tau_two / (KAPPA - 1.0);
                let speed = (1.0 - beta4) / (1.0 - beta4 * tau_two);
                let drop = (1.0 - tau.powf((KAPPA - 1.0) / KAPPA)) / (1.0 - tau);
                (gas * speed * drop).sqrt()
            }
        }
    }

    /// Relative standard uncertainty of a flow from the meter itself, halved from the 95 % that the
    /// standards give: that of the discharge coefficient (ISO 5167-2, 5.3.3.1, 0.5 % more where β > 0.5
    /// and Re_D < 10,000; a nozzle 2 %, ISO 5167-3) and that of the expansibility (3.5 Δp/(κ p₁) %, a
    /// nozzle 2 Δp/p₁ %). All from memory, not verified.
    ///
    /// Outside of the standard's pipes, diameter ratios and Reynolds numbers 3 % are assumed for an
    /// orifice's coefficient (our judgement).
    #[must_use]
    pub fn relative_uncertainty(
        &self,
        flow_kg_per_s: f64,
        difference_pa: f64,
        air: &AirState,
    ) -> f64 {
        let pressure_share = difference_pa / air.pressure_pa;
        let (discharge_percent, expansibility_percent) = match self.element {
            FlowElement::Nozzle => (2.0, 2.0 * pressure_share),
            FlowElement::Orifice(taps) => (
                self.orifice_percent_95(taps, flow_kg_per_s, air)
                    .unwrap_or(3.0),
                3.5 * pressure_share / KAPPA,
            ),
        };
        0.005 * discharge_percent.hypot(expansibility_percent)
    }

    /// Uncertainty (95 %) of an orifice's discharge coefficient, %; `None` where the standard doesn't
    /// hold: β 0.1 to 0.75, pipes from 50 mm, bores from 12.5 mm, and Re_D from 5000, from 16,000 β²
    /// above β = 0.56, with flange taps from 170,000 β² D (D in m; ISO 5167-2, 5.3.1, as the library
    /// `fluids` 1.3.1 states them).
    fn orifice_percent_95(&self, taps: Taps, flow_kg_per_s: f64, air: &AirState) -> Option<f64> {
        let pipe_m = self.pipe_m?;
        let beta = self.beta();
        let reynolds = 4.0 * flow_kg_per_s / (PI * pipe_m * air_viscosity_pa_s(air.temperature_k));
        let reynolds_min = match taps {
            Taps::Flange => 170_000.0 * beta * beta * pipe_m,
            Taps::Corner | Taps::DAndHalfD if beta > 0.56 => 16_000.0 * beta * beta,
            Taps::Corner | Taps::DAndHalfD => 0.0,
        };
        let holds = (0.1..=0.75).contains(&beta)
            && pipe_m >= 0.05
            && self.bore_m >= 0.0125
            && reynolds >= reynolds_min.max(5000.0);
        if !holds {
            return None;
        }
        let of_beta = if beta < 0.2 {
            0.7 - beta
        } else if beta <= 0.6 {
            0.5
        } else {
            1.667 * beta - 0.5
        };
        let small = (0.9 * (0.75 - beta) * (2.8 - pipe_m / 0.025_4)).max(0.0);
        let slow = if beta > 0.5 && reynolds < 10_000.0 {
            0.5
        } else {
            0.0
        };
        Some(of_beta + small + slow)
    }
}

/// A thermal meter: `V² = V₀² + (V₁² − V₀²)(q/q₁)ⁿ` (L. V. King, 1914), with what it gives without
/// flow and at one known flow.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct King {
    /// Voltage without flow, V.
    pub at_rest_v: f64,
    /// Voltage at the known flow, V.
    pub at_flow_v: f64,
    /// The known flow, kg/s.
    pub flow_kg_per_s: f64,
    /// King's exponent, about 0.5.
    pub exponent: f64,
}

impl King {
    /// Flow at a voltage, kg/s; 0 below the voltage at rest.
    #[must_use]
    pub fn flow_kg_per_s(&self, volt: f64) -> f64 {
        let rest = self.at_rest_v.powi(2);
        let share = (volt * volt - rest) / (self.at_flow_v.powi(2) - rest);
        self.flow_kg_per_s * share.max(0.0).powf(1.0 / self.exponent)
    }

    /// Voltage at a flow.
    #[must_use]
    pub fn volt(&self, flow_kg_per_s: f64) -> f64 {
        let rest = self.at_rest_v.powi(2);
        let share = (flow_kg_per_s.max(0.0) / self.flow_kg_per_s).powf(self.exponent);
        (rest + (self.at_flow_v.powi(2) - rest) * share).sqrt()
    }
}

/// Dynamic viscosity of air, Pa·s: Sutherland's law with 1.716e-5 Pa·s at 273.15 K and 110.4 K
/// (White, *Viscous Fluid Flow*, from memory).
#[must_use]
pub fn air_viscosity_pa_s(temperature_k: f64) -> f64 {
    const AT_ZERO_K: f64 = 273.15;
    const SUTHERLAND_K: f64 = 110.4;
    1.716e-5 * (temperature_k / AT_ZERO_K).powf(1.5) * (AT_ZERO_K + SUTHERLAND_K)
        / (temperature_k + SUTHERLAND_K)
}

/// Flow through a fixed opening at another depression: it goes with the square root.
#[must_use]
pub fn flow_at_depression(flow: f64, at_pa: f64, wanted_pa: f64) -> f64 {
    flow * (wanted_pa / at_pa).max(0.0).sqrt()
}
