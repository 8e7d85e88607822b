//! The engine's figures, flow meters and fuels against handbooks, standards and reference
//! libraries, and the analyses against cases whose answer is known.

use std::f64::consts::TAU;

use leverarm_torque::calibration::losses::SpeedSample;
use leverarm_torque::curve::COVERAGE_95;
use leverarm_torque::engine::{
    AirState, Cause, EngineModel, EnginePoint, FlowElement, FlowMeter, Fuel, FuelKind, King,
    Missing, MixtureCurve, Origin, PullTrace, Reading, SensorDelay, TEST_DEPRESSIONS_PA, Taps,
    Trace, TracePoint, air_viscosity_pa_s, attribute, bmep_pa, displaced_m3_per_s,
    estimated_friction_nm, flow_at_depression, lambda_of_flows, limits, mean_piston_speed_m_per_s,
    motored_friction, per_work_kg_per_j, thermal_efficiency, volumetric_efficiency,
};
use leverarm_torque::uncertainty::Measured;

use crate::common::{Noise, close, close_rel, same};

fn rad_per_s(rpm: f64) -> f64 {
    rpm * TAU / 60.0
}

/// Arithmetic of the definitions (Heywood 1988, ch. 2): 150 N·m of 2.0 l, four-stroke.
#[test]
fn definitions() {
    // bmep = 4π T / V
    same("bmep", bmep_pa(150.0, 2e-3, 0.5), 942_477.796_076_937_9);
    // A two-stroke fires twice as often.
    same("bmep", bmep_pa(150.0, 2e-3, 1.0), 471_238.898_038_469);
    // ve = 2 ṁ / (ρ V N): 0.110 kg/s, 1.184 kg/m³, 2.0 l, 6000 1/min
    let displaced = displaced_m3_per_s(2e-3, 0.5, rad_per_s(6000.0));
    same(
        "ve",
        volumetric_efficiency(0.110, 1.184, displaced),
        0.929_054_054_054_054_2,
    );
    // 7.5 g/s at 100 kW: 270 g/(kW·h)
    let omega = rad_per_s(5000.0);
    let bsfc = per_work_kg_per_j(7.5e-3, 100e3 / omega, omega) * 3.6e9;
    same("bsfc", bsfc, 270.0);
    // 86 mm, 6000 1/min: 2 S N
    same(
        "piston",
        mean_piston_speed_m_per_s(0.086, rad_per_s(6000.0)),
        17.2,
    );
    // An air/fuel ratio of 13.2 against 14.7
    same(
        "lambda",
        lambda_of_flows(13.2, 1.0, 14.7),
        0.897_959_183_673_469_4,
    );
    // 350 in³ at 6000 1/min and 85 %: in³·rpm·ve/3456 = 516.493 ft³/min
    let inch: f64 = 0.0254;
    let flow = 0.85 * displaced_m3_per_s(350.0 * inch.powi(3), 0.5, rad_per_s(6000.0));
    same(
        "ft³/min",
        flow / 0.3048_f64.powi(3) * 60.0,
        516.493_055_555_555_5,
    );
}

/// Heywood 1988, sec. 2.15, from memory: 150 N·m at a bmep of 925 kPa takes 2 dm³; 86 mm of stroke
/// at 15 m/s are 87 rev/s; 800 kPa there make 70 kW. The book rounds.
#[test]
fn heywoods_worked_example() {
    close_rel("bmep", bmep_pa(150.0, 2.0e-3, 0.5), 925e3, 0.02);
    close_rel(
        "speed",
        mean_piston_speed_m_per_s(0.086, TAU * 87.0),
        15.0,
        0.02,
    );
    let torque_nm = 800e3 * 2.0e-3 * 0.5 / TAU;
    close_rel("power", torque_nm * TAU * 87.0, 70e3, 0.02);
}

/// Best bsfc of spark-ignition engines, 270 g/(kW·h), is an efficiency of about 30 % (Heywood 1988,
/// sec. 2.8, from memory: 75 µg/J and 44 MJ/kg, which is 30.3 %).
#[test]
fn consumption_is_the_inverse_of_efficiency() {
    let (omega, nm) = (rad_per_s(3000.0), 120.0);
    let fuel = 75e-9 * nm * omega;
    close_rel(
        "efficiency",
        thermal_efficiency(nm, omega, fuel, 44e6),
        0.303,
        2e-3,
    );
    same("bsfc", per_work_kg_per_j(fuel, nm, omega), 75e-9);
}

/// Stoichiometric ratios from formulas: C_a H_b O_c takes a + b/4 − c/2 of oxygen. Atomic weights
/// IUPAC 2021 (abridged), dry air 20.95 % oxygen and 28.965 g/mol. Heating values from enthalpies of
/// formation in kJ/mol, CODATA 1989 (CO₂ −393.51, H₂O gas −241.826) and the NIST Chemistry WebBook
/// (liquid ethanol −277.6, liquid methanol −239.0), both from memory.
#[test]
fn fuels_from_their_formulas() {
    let (c, h, o) = (12.011, 1.008, 15.999);
    for (kind, atoms, formation) in [
        (FuelKind::Ethanol, (2.0, 6.0, 1.0), -277.6),
        (FuelKind::Methanol, (1.0, 4.0, 1.0), -239.0),
    ] {
        let (a, b, d) = atoms;
        let molar = a * c + b * h + d * o;
        let air = (a + b / 4.0 - d / 2.0) / 0.2095 * 28.965;
        let fuel = kind.fuel();
        close_rel("ratio", fuel.stoichiometric_ratio.value, air / molar, 3e-3);
        let released = a * 393.51 + b / 2.0 * 241.826 + formation;
        let heating = released / molar * 1e6;
        close_rel("heating", fuel.heating_value_j_per_kg.value, heating, 3e-3);
    }
    // Petrol as (CH1.87)n: Heywood 1988, eq. 3.6, gives 14.6.
    let petrol = FuelKind::Petrol.fuel().stoichiometric_ratio;
    assert!((petrol.value - 14.6).abs() <= 1.5 * petrol.standard_uncertainty);
    // EN 228 and EN 590 bound the densities at 15 °C.
    let petrol = FuelKind::Petrol.fuel().density_kg_per_m3.value;
    assert!((720.0..=775.0).contains(&petrol));
    let diesel = FuelKind::Diesel.fuel().density_kg_per_m3.value;
    assert!((820.0..=845.0).contains(&diesel));
    // E10 and E85: 14.1 and 9.8 are the usual figures (common practice).
    let ratio = |kind: FuelKind| kind.fuel().stoichiometric_ratio.value;
    close("E5", ratio(FuelKind::E5), 14.4, 0.06);
    close("E10", ratio(FuelKind::E10), 14.1, 0.05);
    close("E85", ratio(FuelKind::E85), 9.8, 0.06);
}

/// What a kilogram of petrol holds differs from batch to batch: published test fuels have 42.1 and
/// 42.78 MJ/kg, Heywood 1988 table D.4 has 44.0 (from memory). All lie within the interval given, that
/// of petrol with 5 or 10 % ethanol below them.
#[test]
fn heating_values_of_petrol() {
    let petrol = FuelKind::Petrol.fuel().heating_value_j_per_kg;
    for published in [42.1e6, 42.78e6, 44.0e6] {
        assert!((published - petrol.value).abs() < COVERAGE_95 * petrol.standard_uncertainty);
    }
    // Ethanol has 26.8 MJ/kg and a little more density: 5.3 and 10.6 % by mass (arithmetic).
    for (kind, mass_share) in [(FuelKind::E5, 0.053), (FuelKind::E10, 0.106)] {
        let fuel = kind.fuel().heating_value_j_per_kg;
        let expected = petrol.value - mass_share * (petrol.value - 26.8e6);
        close_rel("blend", fuel.value, expected, 1e-3);
        assert!(fuel.standard_uncertainty > 0.4e6, "{fuel:?}");
    }
}

/// Work of an ideal cycle per mass of air over that at λ = 1: iso-octane, compression 9.5, burnt at
/// constant volume to equilibrium and expanded in equilibrium, from 350 K and 1 bar, computed with
/// Cantera 3.2.0 (species of its `nasa_gas.yaml`). Real mixtures burn slower when lean, so no engine lies
/// above it by much.
#[test]
fn lean_mixtures_after_a_fuel_air_cycle() {
    let curve = MixtureCurve::default();
    let relative = |lambda: f64| curve.value(lambda) / curve.value(1.0);
    assert!(curve.covers(1.05));
    close("λ 1.05", relative(1.05), 0.9686, 0.005);
    // Where the parabola has left it the curve says nothing.
    for (lambda, work) in [(1.1, 0.9353), (1.2, 0.8725)] {
        assert!(relative(lambda) < work - 0.015);
        assert!(!curve.covers(lambda));
    }
}

fn orifice(taps: Taps, pipe_m: f64, bore_m: f64) -> FlowMeter {
    FlowMeter {
        element: FlowElement::Orifice(taps),
        bore_m,
        pipe_m: Some(pipe_m),
        discharge: None,
    }
}

/// ISO 5167-2's discharge coefficient and both expansibilities as the library `fluids` 1.3.1 gives
/// them (`C_Reader_Harris_Gallagher`, `orifice_expansibility`, `nozzle_expansibility`), with
/// 1.165 or 1.17 kg/m³ and 1.85e-5 Pa·s.
#[test]
fn iso_5167_coefficients() {
    let narrow = (0.073_91, 0.022_2, 0.12);
    for (taps, (pipe_m, bore_m, kg_per_s), expected) in [
        (Taps::Flange, narrow, 0.599_032_627_716_365_9),
        (Taps::Corner, narrow, 0.600_036_958_271_580_8),
        (Taps::DAndHalfD, narrow, 0.598_850_279_101_333_7),
        (Taps::Corner, (0.1, 0.05, 0.05), 0.610_285_454_224_046_5),
    ] {
        let meter = orifice(taps, pipe_m, bore_m);
        let reynolds = 4.0 * kg_per_s / (std::f64::consts::PI * bore_m * 1.85e-5);
        close("C", meter.discharge_at(reynolds), expected, 2e-5);
    }
    let meter = orifice(Taps::Corner, 0.05, 0.03);
    close(
        "ε",
        meter.expansibility(2_000.0, 98_600.0),
        0.994_190_572_049_186_4,
        1e-12,
    );
    let meter = orifice(Taps::Corner, 0.073_9, 0.022_2);
    close(
        "ε",
        meter.expansibility(1_000.0, 1e5),
        0.997_473_905_734_342_5,
        1e-12,
    );
    let nozzle = FlowMeter {
        element: FlowElement::Nozzle,
        ..meter
    };
    close(
        "ε",
        nozzle.expansibility(5_000.0, 1e5),
        0.972_564_507_795_389_4,
        1e-12,
    );
}

/// Whole flows as `fluids` 1.3.1 solves them (`differential_pressure_meter_solver`): 1.165 kg/m³,
/// κ 1.4. Its viscosity is 1.85e-5 Pa·s, which Sutherland's law gives at 300 K within 0.3 %.
#[test]
fn iso_5167_flows() {
    let at = |pressure_pa: f64| AirState {
        pressure_pa,
        temperature_k: 300.0,
        density_kg_per_m3: 1.165,
    };
    close_rel("viscosity", air_viscosity_pa_s(300.0), 1.85e-5, 3e-3);
    let corner = orifice(Taps::Corner, 0.05, 0.03);
    let spaced = orifice(Taps::DAndHalfD, 0.1, 0.05);
    let flange = orifice(Taps::Flange, 0.0739, 0.0222);
    let nozzle = FlowMeter {
        element: FlowElement::Nozzle,
        ..corner
    };
    for (meter, ahead, behind, expected) in [
        (corner, 98_600.0, 96_600.0, 0.031_648_404_301_782_555),
        (spaced, 1e5, 99_500.0, 0.042_186_346_999_794_36),
        (flange, 1e5, 95_000.0, 0.024_913_168_251_621_598),
        (nozzle, 98_600.0, 96_600.0, 0.049_882_228_226_687_9),
    ] {
        let found = meter
            .mass_flow_kg_per_s(ahead - behind, &at(ahead))
            .unwrap();
        close_rel("flow", found, expected, 1e-4);
    }
    assert_eq!(corner.mass_flow_kg_per_s(0.0, &at(1e5)), Ok(0.0));
    let error = corner.mass_flow_kg_per_s(-5.0, &at(1e5)).unwrap_err();
    assert_eq!(
        error.to_string(),
        "pressure difference: expected 0 to 25000 Pa, found -5 Pa"
    );
}

/// Sutherland's law against values for dry air at 101.325 kPa as
/// commonly tabulated: 1.716e-5 at 0 °C, 1.813e-5 at 20 °C, 2.18e-5 at 100 °C (from memory).
/// ISO 5167-2, 5.3.3: 95 % uncertainties of the coefficient and of the expansibility (from memory, not
/// verified; arithmetic), and the least Reynolds numbers of 5.3.1 (as `fluids` 1.3.1 states them).
#[test]
fn iso_5167_uncertainties() {
    let air = AirState {
        pressure_pa: 1e5,
        temperature_k: 300.0,
        density_kg_per_m3: 1.165,
    };
    // Pipe Reynolds number → flow → percent of 95 %.
    let percent = |meter: FlowMeter, reynolds: f64, difference_pa: f64| {
        let pipe_m = meter.pipe_m.unwrap();
        let flow = reynolds * std::f64::consts::PI * pipe_m * air_viscosity_pa_s(300.0) / 4.0;
        200.0 * meter.relative_uncertainty(flow, difference_pa, &air)
    };
    for (taps, pipe_m, bore_m, reynolds, expected) in [
        (Taps::Corner, 0.1, 0.05, 20_000.0, 0.5),
        (Taps::Corner, 0.1, 0.015, 20_000.0, 0.55),
        (Taps::Corner, 0.1, 0.07, 20_000.0, 1.667 * 0.7 - 0.5),
        // Slow: half a percent more, but only above β = 0.5.
        (Taps::Corner, 0.1, 0.054, 9_900.0, 1.0),
        (Taps::Corner, 0.1, 0.054, 10_100.0, 0.5),
        (Taps::Corner, 0.1, 0.045, 6_000.0, 0.5),
        // Pipes below 71.12 mm: 0.9 (0.75 − β)(2.8 − D/25.4) more.
        (
            Taps::Corner,
            0.0508,
            0.0254,
            20_000.0,
            0.5 + 0.9 * 0.25 * 0.8,
        ),
        // Below the least Reynolds number: 5000; 16,000 β² = 7840; 170,000 β² D = 8330.
        (Taps::Corner, 0.1, 0.045, 4_900.0, 3.0),
        (Taps::DAndHalfD, 0.1, 0.07, 7_800.0, 3.0),
        (Taps::DAndHalfD, 0.1, 0.07, 7_900.0, 1.667 * 0.7),
        (Taps::Flange, 0.1, 0.07, 8_300.0, 3.0),
        (Taps::Flange, 0.1, 0.07, 8_400.0, 1.667 * 0.7),
    ] {
        let found = percent(orifice(taps, pipe_m, bore_m), reynolds, 0.0);
        close(
            &format!("{taps:?} {bore_m} {reynolds}"),
            found,
            expected,
            1e-9,
        );
    }
    // A tenth of the pressure lost: 3.5 · 0.1 / 1.4 = 0.25 % beside the coefficient's 0.5 %.
    let found = percent(orifice(Taps::Corner, 0.1, 0.05), 20_000.0, 1e4);
    close("with expansibility", found, 0.5_f64.hypot(0.25), 1e-9);
}

#[test]
fn viscosity_of_air() {
    for (celsius, expected) in [(0.0, 1.716e-5), (20.0, 1.813e-5), (100.0, 2.18e-5)] {
        close_rel(
            "viscosity",
            air_viscosity_pa_s(celsius + 273.15),
            expected,
            6e-3,
        );
    }
}

#[test]
fn a_thermal_meter_and_back() {
    let meter = King {
        at_rest_v: 1.2,
        at_flow_v: 3.4,
        flow_kg_per_s: 0.02,
        exponent: 0.5,
    };
    close("at rest", meter.flow_kg_per_s(1.2), 0.0, 1e-15);
    close("below", meter.flow_kg_per_s(0.9), 0.0, 0.0);
    same("known", meter.flow_kg_per_s(3.4), 0.02);
    // With n = 1/2 a quarter of the flow is half of the rise of V² (King 1914).
    let half = f64::midpoint(1.2 * 1.2, 3.4 * 3.4).sqrt();
    same("quarter", meter.flow_kg_per_s(half), 0.005);
    same("back", meter.volt(0.005), half);
}

/// Twice the depression is √2 the flow; 1.5 inHg is 5.08 kPa (NIST SP 811: 3386.389 Pa an inch).
#[test]
fn flow_goes_with_the_root_of_the_depression() {
    let [four_barrel, two_barrel] = TEST_DEPRESSIONS_PA;
    close_rel("1.5 inHg", four_barrel, 5_079.583_5, 1e-9);
    close_rel("3 inHg", two_barrel, 10_159.167, 1e-9);
    let at_two = flow_at_depression(600.0, four_barrel, two_barrel);
    same("flow", at_two, 848.528_137_423_857);
}

#[test]
fn a_trace_gives_value_slope_and_scatter() {
    let mut noise = Noise::new(3);
    let samples = (0..200)
        .map(|i| 0.02 * f64::from(i))
        .map(|t| (t, 5.0 + 2.0 * t + 0.1 * noise.normal()))
        .collect();
    let trace = Trace::new(samples, 0.3);
    let at = trace.at(2.0).unwrap();
    assert!((at.value - 9.0).abs() < 4.0 * at.random, "{at:?}");
    // 13 samples within ±0.12 s: 0.1/√13
    close_rel("scatter", at.random, 0.1 / 13.0_f64.sqrt(), 0.6);
    close("common", at.common, 0.3, 0.0);
    let slope = trace.slope_about(2.0, 0.0).unwrap();
    assert!((slope.value - 2.0).abs() < 4.0 * slope.random, "{slope:?}");
    assert_eq!(trace.at(4.5), None);
    assert_eq!(Trace::default().at(0.0), None);
}

/// 0.4 l of pipe at 0.01 m³/s are 40 ms, after the sensor's own 30 ms.
#[test]
fn transport_delay() {
    let delay = SensorDelay {
        fixed_s: 0.03,
        pipe_m3: 0.4e-3,
    };
    same("delay", delay.delay_s(0.01), 0.07);
    same("delay", delay.delay_s(0.0), 0.03);
}

/// A drum of 1.2 kg·m² with an engine of 0.006 kg·m² behind 5.5:1, stand losses 0.6 + 0.004 ω and an
/// engine that takes 1.0 + 0.0024 ω at the crank, coasting down: solved exactly.
#[test]
fn friction_from_a_motored_coast_down() {
    let ratio = 5.5;
    let locked = 1.2 + 0.006 * ratio * ratio;
    let stand = |drum: f64| Measured::new(0.6 + 0.004 * drum, 0.03);
    let (c0, c1) = (0.6 + ratio * 1.0, 0.004 + ratio * ratio * 0.0024);
    let start = 160.0;
    let speeds: Vec<SpeedSample> = (0..120)
        .map(|i| 0.05 * f64::from(i))
        .map(|t| SpeedSample {
            time_s: t,
            // I ω' = −c₀ − c₁ω
            omega_rad_per_s: (start + c0 / c1) * (-c1 / locked * t).exp() - c0 / c1,
        })
        .collect();
    let inertia = Measured::new(locked, 0.005 * locked);
    let friction = motored_friction(&speeds, inertia, stand, ratio).unwrap();
    for crank in [450.0, 600.0, 850.0] {
        let found = friction.torque_nm(crank);
        close_rel("friction", found.value, 1.0 + 0.0024 * crank, 2e-3);
        assert!(found.standard_uncertainty > 0.005 && found.standard_uncertainty < 0.05);
    }
}

fn model() -> EngineModel {
    EngineModel {
        displacement_m3: Some(140e-6),
        stroke_m: Some(0.055),
        cylinders: 1,
        compression_ratio: Some(9.5),
        cycles_per_turn: 0.5,
        fuel: FuelKind::Petrol.fuel(),
        device: None,
    }
}

/// Heywood 1988, fig. 13.9, from memory: motored friction of spark-ignition engines is 1.5 to 2 bar
/// of mean effective pressure at 3000 1/min with an 80 mm stroke.
#[test]
fn estimated_friction_is_of_the_usual_size() {
    let engine = EngineModel {
        displacement_m3: Some(2e-3),
        stroke_m: Some(0.08),
        cylinders: 4,
        ..model()
    };
    let omega = rad_per_s(3000.0);
    let nm = estimated_friction_nm(&engine, omega).unwrap();
    let bar = bmep_pa(nm.value, 2e-3, 0.5) * 1e-5;
    assert!((1.5..=2.0).contains(&bar), "{bar}");
    close_rel("uncertainty", nm.standard_uncertainty, 0.3 * nm.value, 1e-9);
    let unknown = EngineModel {
        displacement_m3: None,
        ..engine
    };
    assert_eq!(estimated_friction_nm(&unknown, omega), None);
}

const AMBIENT_PA: Measured = Measured::new(98_600.0, 100.0);

/// An engine that would fill by 0.95 up to the end, but for its intake: filling goes with the
/// intake's pressure, and the cams take `cams` of it away at 9000 1/min.
fn restricted(cams: f64) -> Vec<EnginePoint> {
    let pressure_exponent = 1.0 + 1.0 / (1.35 * 8.5);
    (40..=90)
        .map(|hundred| {
            let rpm = 100.0 * f64::from(hundred);
            let speed = (rpm - 4000.0) / 5000.0;
            let depression = 300.0 + 7_000.0 * speed * speed;
            let filling = 0.95 * (1.0 - depression / 98_600.0).powf(pressure_exponent);
            let ve = Reading::new(filling * (1.0 - cams * speed * speed), 0.002, 0.02);
            EnginePoint {
                rpm,
                torque_nm: Reading::new(10.0, 0.02, 0.05),
                bmep_pa: None,
                piston_speed_m_per_s: None,
                air_kg_per_s: Some(Reading::exact(0.01)),
                air_from_fuel: false,
                air_m3_per_s: Some(Reading::exact(0.009)),
                air_at_standard_kg_per_s: None,
                fuel_kg_per_s: None,
                volumetric_efficiency: Some(ve),
                bsfc_kg_per_j: None,
                bsac_kg_per_j: None,
                thermal_efficiency: None,
                lambda: Some(Reading::new(0.90, 0.002, 0.01)),
                lambda_of_flows: Some(Reading::new(0.99, 0.002, 0.02)),
                depression_pa: Some(Reading::new(depression, 20.0, 30.0)),
                others: Vec::new(),
            }
        })
        .collect()
}

#[test]
fn an_intake_that_holds_back_is_found_with_its_share() {
    for cams in [0.0, 0.08] {
        let report = limits(&restricted(cams), &model(), AMBIENT_PA);
        let filling = report.filling.unwrap();
        let restriction = report.restriction.unwrap();
        assert!(filling.best_rpm < 4_200.0);
        let falls_off = filling.falls_off_rpm.unwrap();
        assert!((5_000.0..8_000.0).contains(&falls_off), "{falls_off}");
        // In logarithms, as the filling is a product.
        let intake = (1.0 + 1.0 / (1.35 * 8.5)) * (1.0 - 7_000.0 / 98_300.0_f64).ln();
        let truth = intake / (intake + (1.0 - cams).ln());
        let share = restriction.share_of_shortfall.unwrap();
        assert!(share.standard_uncertainty() < 0.08, "{share:?}");
        assert!(
            (share.value - truth).abs() < 2.0 * share.standard_uncertainty(),
            "{share:?} for {truth}"
        );
    }
}

#[test]
fn what_is_not_measured_is_named() {
    let mut points = restricted(0.0);
    let report = limits(&points, &model(), AMBIENT_PA);
    assert_eq!(report.missing, [Missing::FuelFlow, Missing::DeviceRating]);
    // 0.90 against 0.99 with 0.022 is four standard uncertainties.
    assert_eq!(report.lambda_disagrees_rpm.len(), points.len());
    for point in &mut points {
        point.depression_pa = None;
        point.air_kg_per_s = None;
        point.air_m3_per_s = None;
        point.volumetric_efficiency = None;
        point.lambda = None;
        point.lambda_of_flows = None;
    }
    let report = limits(&points, &model(), AMBIENT_PA);
    assert_eq!((report.filling, report.restriction), (None, None));
    assert!(report.missing.contains(&Missing::AirFlow));
    assert!(report.missing.contains(&Missing::Depression));
    assert!(report.lambda_disagrees_rpm.is_empty());
}

/// A device rated 0.0085 m³/s at 1.5 inHg with bench air (1.2041 kg/m³: CIPM-2007 gives 1.20456) that
/// passes 0.009 m³/s of 10/9 kg/m³ needs 1.5 · (9/8.5)² · 1.1111/1.2041 inHg.
#[test]
fn a_rated_device_at_its_load() {
    let mut engine = model();
    engine.device = Some(leverarm_torque::engine::Device {
        flow_m3_per_s: Measured::new(0.0085, 0.000_1),
        depression_pa: TEST_DEPRESSIONS_PA[0],
    });
    let report = limits(&restricted(0.0), &engine, AMBIENT_PA);
    let load = report.device.unwrap();
    let needed = TEST_DEPRESSIONS_PA[0] * (9.0_f64 / 8.5).powi(2) * (10.0 / 9.0) / 1.2041;
    same("needed", load.needed_pa.value, needed);
    same("load", load.load[0], 9.0 / 8.5);
    same("load", load.load[1], 9.0 / 8.5 / 2.0_f64.sqrt());
    close_rel(
        "share",
        load.share_of_depression.unwrap().value,
        needed / 7_300.0,
        1e-9,
    );
}

/// Pulls A A A B B B A A A of an engine whose torque is made as the model says, with drift, scatter,
/// and meters that are wrong by a constant share.
fn pulls(noise: &mut Noise, air: f64, lambda: [f64; 2], other_nm: f64) -> Vec<PullTrace> {
    let curve = MixtureCurve::default();
    [0, 0, 0, 1, 1, 1, 0, 0, 0]
        .into_iter()
        .zip(0_u32..)
        .map(|(setup, number)| {
            let second = setup == 1;
            let number = f64::from(number);
            let filling = 1.0 + 0.001 * noise.normal() - 0.0005 * number;
            let points = (30..=90)
                .map(|hundred| {
                    let rpm = 100.0 * f64::from(hundred);
                    let friction = 1.0 + 0.0024 * rad_per_s(rpm);
                    let ve = 0.9 * filling * if second { 1.0 + air } else { 1.0 };
                    let lambda = lambda[setup];
                    let work = 15.0 * ve * curve.value(lambda);
                    let read = |value: f64, noise: f64, common: f64| {
                        Some(Reading::new(value + noise, 0.002, common))
                    };
                    TracePoint {
                        rpm,
                        torque_nm: work - friction + if second { other_nm } else { 0.0 },
                        volumetric_efficiency: read(1.03 * ve, 0.002 * noise.normal(), 0.03),
                        lambda: read(lambda + 0.005, 0.002 * noise.normal(), 0.01),
                    }
                })
                .collect();
            PullTrace {
                second,
                order: number,
                points,
            }
        })
        .collect()
}

fn friction_nm(rpm: f64) -> Measured {
    let nm = 1.0 + 0.0024 * rad_per_s(rpm);
    Measured::new(1.1 * nm, 0.3 * nm)
}

#[test]
fn the_cause_of_a_difference_is_found() {
    let range = [(3_000.0, 9_000.0)];
    for (air, lambda, other, cause) in [
        (0.03, [0.90, 0.90], 0.0, Cause::Named(Origin::Air)),
        (0.0, [1.00, 0.90], 0.0, Cause::Named(Origin::Mixture)),
        (0.0, [0.90, 0.90], 0.4, Cause::Named(Origin::Rest)),
        (0.0, [0.90, 0.90], 0.0, Cause::NoDifference),
        // Less air and a better mixture: the greater of the two is named.
        (-0.08, [1.02, 0.92], 0.0, Cause::Named(Origin::Air)),
    ] {
        let pulls = pulls(&mut Noise::new(11), air, lambda, other);
        let curve = MixtureCurve::default();
        let found = attribute(&pulls, friction_nm, &curve, &range, true).unwrap();
        let parts = found.regions[0].parts;
        assert_eq!(parts.cause(), cause, "{parts:?}");
        let sum = parts.air.unwrap().value + parts.mixture.unwrap().value + parts.rest.value;
        close("sum", sum, parts.total.value, 1e-9);
        if let Cause::Named(part) = cause
            && other == 0.0
        {
            let share = parts.share(part).unwrap();
            assert!(share.half_width > 0.0);
        }
        assert_eq!(found.parts.len(), found.rpm.len());
    }
}

/// Over many tests, the true part lies in its 95 % interval as often as that says, or more often:
/// the part that is common to all pulls is allowed for but not drawn here.
#[test]
fn intervals_of_the_parts_cover() {
    let range = [(6_000.0, 8_000.0)];
    let mut noise = Noise::new(5);
    let curve = MixtureCurve::default();
    let (tests, mut covered) = (200, 0);
    for _ in 0..tests {
        let pulls = pulls(&mut noise, 0.02, [0.95, 0.95], 0.0);
        let found = attribute(&pulls, friction_nm, &curve, &range, true).unwrap();
        let air = found.regions[0].parts.air.unwrap();
        let work = 15.0 * 0.9 * 0.998 * curve.value(0.95);
        covered += u32::from((air.value - work * 1.02_f64.ln()).abs() < air.half_width + 0.01);
    }
    assert!(covered >= 180, "{covered} of {tests}");
}

#[test]
fn parts_that_were_not_measured_stay_in_the_rest() {
    let mut pulls = pulls(&mut Noise::new(2), 0.03, [0.9, 0.9], 0.0);
    for point in pulls.iter_mut().flat_map(|pull| &mut pull.points) {
        point.volumetric_efficiency = None;
    }
    let curve = MixtureCurve::default();
    let found = attribute(&pulls, friction_nm, &curve, &[(3e3, 9e3)], true).unwrap();
    let parts = found.regions[0].parts;
    assert_eq!(parts.air, None);
    assert_eq!(parts.cause(), Cause::Named(Origin::Rest));
    assert!(attribute(&pulls[..2], friction_nm, &curve, &[], true).is_err());
}

#[test]
fn a_blend_of_one_fuel_is_that_fuel() {
    let petrol: Fuel = FuelKind::Petrol.fuel();
    let blend = petrol.mixed_with(petrol, 0.4);
    same("ratio", blend.stoichiometric_ratio.value, 14.7);
    same("density", blend.density_kg_per_m3.value, 747.5);
}
