//! The engine's side of a pull: fuel, air, mixture, and what limits the power.
//!
//! Definitions are those of J. B. Heywood, *Internal Combustion Engine Fundamentals*, 1988, ch. 2.
//! Everything is worked out with the torque as measured, in the air of the pull: that is the air
//! and the fuel that made it.
//!
//! ```
//! use leverarm_torque::engine::FuelKind;
//!
//! // CH₄O + 1.5 O₂: 32.04 g of methanol need 48.00 g of oxygen, 23.14 % of dry air by mass.
//! let methanol = FuelKind::Methanol.fuel();
//! let expected = 48.00 / 0.2314 / 32.04;
//! assert!((methanol.stoichiometric_ratio.value - expected).abs() < 0.02);
//! ```

mod attribution;
mod figures;
mod flow;
mod friction;
mod fuel;
mod limits;
mod mixture;
mod points;
mod reading;
mod role;
mod trace;

pub use attribution::{
    Attribution, AttributionError, Cause, Origin, PullTrace, RegionShares, Shares, TracePoint,
    attribute,
};
pub use figures::{
    STANDARD_AIR_KG_PER_M3, STANDARD_DRY_PA, STANDARD_K, bmep_pa, displaced_m3_per_s,
    fuel_energy_w, lambda_of_flows, mean_piston_speed_m_per_s, per_work_kg_per_j,
    thermal_efficiency, volumetric_efficiency,
};
pub use flow::{
    AirState, FlowElement, FlowError, FlowMeter, King, TEST_DEPRESSIONS_PA, Taps,
    air_viscosity_pa_s, flow_at_depression,
};
pub use friction::{Friction, estimated_fmep_pa, estimated_friction_nm, motored_friction};
pub use fuel::{Fuel, FuelKind};
pub use limits::{Device, DeviceLoad, Filling, LimitReport, Missing, Restriction, limits};
pub use mixture::{MixtureCurve, work_per_air};
pub use points::{EnginePoint, EngineSeries, FlowSource, engine_points, mean_points};
pub use reading::Reading;
pub use role::Role;
pub use trace::{SensorDelay, Trace};

/// What has to be known of an engine.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EngineModel {
    /// Swept volume of all cylinders.
    pub displacement_m3: Option<f64>,
    /// Stroke.
    pub stroke_m: Option<f64>,
    /// Cylinders.
    pub cylinders: u8,
    /// Compression ratio.
    pub compression_ratio: Option<f64>,
    /// Working cycles per crank turn: 0.5 for a four-stroke, 1 for a two-stroke.
    pub cycles_per_turn: f64,
    /// What it burns.
    pub fuel: Fuel,
    /// Capacity of the metering device (carburettor, throttle body), where it is known.
    pub device: Option<Device>,
}
