//! Units against their published definitions.

use leverarm_config::display::{
    CELSIUS, FAHRENHEIT, HORSEPOWER_MECHANICAL, HORSEPOWER_METRIC, INCH_OF_MERCURY, KILOWATT,
    POUND_FOOT_SQUARED, POUND_FORCE_FOOT,
};
use leverarm_config::units::*;
use proptest::prelude::*;

fn close(found: f64, wanted: f64, relative: f64) -> bool {
    (found - wanted).abs() <= relative * wanted.abs()
}

#[track_caller]
fn check(text: &str, kind: &Kind, wanted_si: f64, relative: f64) {
    let found = quantity(text, kind).unwrap_or_else(|error| panic!("{text}: {error}"));
    assert!(
        close(found, wanted_si, relative),
        "{text}: found {found}, wanted {wanted_si}"
    );
}

/// Exact definitions of NIST SP 811, appendix B.8, as computed by pint 0.25.3 and
/// scipy.constants 1.17.1 (both agree).
#[test]
fn factors_of_nist_sp_811() {
    check("1 lbf*ft", &TORQUE, 1.355_817_948_331_400_3, 1e-12);
    check("1 lbf*in", &TORQUE, 0.112_984_829_027_616_7, 1e-12);
    check("1 hp", &POWER, 745.699_871_582_270_2, 1e-12);
    check("1 PS", &POWER, 735.498_75, 1e-12);
    check("1 psi", &PRESSURE, 6_894.757_293_168_361, 1e-12);
    check("1 inHg", &PRESSURE, 3_386.388_640_341, 1e-12);
    check("1 mmHg", &PRESSURE, 133.322_387_415, 1e-12);
    check("1 Torr", &PRESSURE, 133.322_368_421_052_63, 1e-12);
    check(
        "1 ft^3/min",
        &VOLUME_FLOW,
        0.000_471_947_443_200_000_1,
        1e-12,
    );
    check("1 in^3", &VOLUME, 1.638_706_4e-5, 1e-12);
    check("1 lb*ft^2", &INERTIA, 0.042_140_110_093_804_8, 1e-12);
    check("1 slug*ft^2", &INERTIA, 1.355_817_948_331_400_3, 1e-12);
    check("1 mph", &SPEED, 0.447_04, 1e-12);
    check("1 kgf*m", &TORQUE, 9.806_65, 1e-12);
    check("1 rpm", &ROTATION, 0.104_719_755_119_659_77, 1e-12);
    check("1 lbf", &FORCE, 4.448_221_615_260_5, 1e-12);
}

/// The same table says 3386.389 Pa for the inch of mercury at 0 °C (from memory, ±0.01 Pa): the
/// conventional one, not that at 60 °F (3376.85 Pa).
#[test]
fn inch_of_mercury_is_the_conventional_one() {
    check("1 inHg", &PRESSURE, 3_386.389, 0.01 / 3_386.389);
    assert!(!close(
        quantity("1 inHg", &PRESSURE).unwrap(),
        3_376.85,
        1e-3
    ));
}

/// Arithmetic: hp = lbf·ft · rpm / 5252.113 and kW = N·m · rpm / 9549.297.
#[test]
fn power_of_torque_and_speed() {
    let speed = quantity("5252.113122032546 rpm", &ROTATION).unwrap();
    let torque = quantity("1 lbf*ft", &TORQUE).unwrap();
    assert!(close(
        HORSEPOWER_MECHANICAL.number(torque * speed),
        1.0,
        1e-12
    ));
    let speed = quantity("9549.29658551372 rpm", &ROTATION).unwrap();
    let torque = quantity("1 N*m", &TORQUE).unwrap();
    assert!(close(KILOWATT.number(torque * speed), 1.0, 1e-12));
}

#[test]
fn quantities_of_a_stand_file() {
    // By hand, from the definitions above.
    check("12 in", &LENGTH, 0.304_8, 1e-12);
    check(
        "0.284 lb/in^3",
        &DENSITY,
        0.284 * 0.453_592_37 / 1.638_706_4e-5,
        1e-12,
    );
    check(
        "75.9 lb*ft^2",
        &INERTIA,
        75.9 * 0.042_140_110_093_804_8,
        1e-12,
    );
    check("180 degC", &TEMPERATURE, 453.15, 1e-12);
    check("356 degF", &TEMPERATURE, 453.15, 1e-12);
    check("-40 °F", &TEMPERATURE, 233.15, 1e-12);
    check("300 K", &TEMPERATURE, 300.0, 0.0);
    check("1008 hPa", &PRESSURE, 100_800.0, 1e-12);
    check("45 %", &FRACTION, 0.45, 1e-12);
    check("250 ms", &DURATION, 0.25, 1e-12);
    check("10 Hz", &FREQUENCY, 10.0, 0.0);
    check("3 turn/s", &ROTATION, 6.0 * std::f64::consts::PI, 1e-12);
    check("36 km/h", &SPEED, 10.0, 1e-12);
    check(
        "60 rpm/s",
        &ROTATION_RATE,
        2.0 * std::f64::consts::PI,
        1e-12,
    );
    check("2 N*m/(rad/s)", &LOSS_LINEAR, 2.0, 0.0);
    check(
        "1 N*m/rpm",
        &LOSS_LINEAR,
        1.0 / 0.104_719_755_119_659_77,
        1e-12,
    );
    check("3e-6 N*m/(rad/s)^2", &LOSS_QUADRATIC, 3e-6, 1e-12);
    check("5 degF/s", &HEATING_RATE, 25.0 / 9.0, 1e-12);
    check("7.8125 uV/count", &VOLTAGE_PER_COUNT, 7.8125e-6, 1e-12);
    check("7.8125 µV/count", &VOLTAGE_PER_COUNT, 7.8125e-6, 1e-12);
    check("10 kΩ", &RESISTANCE, 1e4, 1e-12);
}

#[test]
fn spellings_of_one_unit() {
    for text in [
        "3.2 kg*m^2",
        "3.2 kg·m²",
        "3.2 kg m^2",
        "3.2kg*m^2",
        "  3.2  kg * m^2 ",
        "+3.2e0 kg⋅m²",
        "3200 g*m^2",
        "3.2 (kg*m^2)",
        "3.2 kg*m^4/m^2",
        "3.2 kg·m⁻¹·m³",
        "3.2 kg/m^-2",
        "3.2 N*m*s^2",
        "3.2 J/(1/s)^2",
    ] {
        check(text, &INERTIA, 3.2, 1e-12);
    }
    check("−5 degC", &TEMPERATURE, 268.15, 1e-12);
}

#[test]
fn uncertainties() {
    let inertia = |text| measured(text, &INERTIA).map(|m| (m.value, m.standard_uncertainty));
    for text in [
        "3.2 +/- 0.02 kg*m^2",
        "3.2 ± 0.02 kg*m^2",
        "3.2 kg*m^2 ± 20 g*m^2",
    ] {
        let (value, uncertainty) = inertia(text).unwrap();
        assert!(
            close(value, 3.2, 1e-12) && close(uncertainty, 0.02, 1e-12),
            "{text}"
        );
    }
    let length = |text| measured(text, &LENGTH).unwrap();
    assert!(close(
        length("250 mm +/- 0.5 mm").standard_uncertainty,
        5e-4,
        1e-12
    ));
    assert!(close(
        length("10 in +/- 1 mm").standard_uncertainty,
        1e-3,
        1e-12
    ));
    assert!(close(
        length("250 mm +/- 0.2 %").standard_uncertainty,
        5e-4,
        1e-12
    ));
    assert!(close(
        length("250 mm +/- 0.5").standard_uncertainty,
        5e-4,
        1e-12
    ));
    let warm = measured("68 +/- 1.8 degF", &TEMPERATURE).unwrap();
    assert!(close(warm.value, 293.15, 1e-12) && close(warm.standard_uncertainty, 1.0, 1e-12));
    // Percent of what is already in percent: points, not a part of it.
    let humid = measured("45 % +/- 5 %", &FRACTION).unwrap();
    assert!(close(humid.standard_uncertainty, 0.05, 1e-12));
    let ratio = measured("6.9 +/- 1 %", &RATIO).unwrap();
    assert!(close(ratio.value, 6.9, 1e-12) && close(ratio.standard_uncertainty, 0.069, 1e-12));
    assert_eq!(
        measured("3.2 kg*m^2", &INERTIA)
            .unwrap()
            .standard_uncertainty,
        0.0
    );
}

#[test]
fn what_is_no_quantity_says_why() {
    let cases: &[(&str, &Kind, &str)] = &[
        ("300", &LENGTH, "the unit is missing"),
        ("", &LENGTH, "it doesn't start with a number"),
        ("about 3 m", &LENGTH, "it doesn't start with a number"),
        ("inf m", &LENGTH, "it doesn't start with a number"),
        (
            "1,5 m",
            &LENGTH,
            "write the decimals after a point, and no comma",
        ),
        ("1e999 m", &LENGTH, "the number is too large"),
        (
            "3 mn",
            &LENGTH,
            "there is no unit \"mn\"; did you mean \"in\"?",
        ),
        ("3 furlong", &LENGTH, "there is no unit \"furlong\""),
        (
            "3 Rpm",
            &ROTATION,
            "there is no unit \"Rpm\"; did you mean \"rpm\"?",
        ),
        ("3 kg", &LENGTH, "\"kg\" is a mass"),
        (
            "8 lb*ft",
            &TORQUE,
            "\"lb*ft\" is a unit of something else; lb and kg are masses, the forces are lbf, kgf \
             and N",
        ),
        (
            "8 lbf",
            &MASS,
            "\"lbf\" is a force; lbf, kgf and N are forces, the masses are lb and kg",
        ),
        (
            "150 Hz",
            &ROTATION,
            "\"Hz\" is a frequency; angle counts: a speed of rotation is in rpm, turn/s or rad/s",
        ),
        (
            "0.0002 N",
            &FORCE_PER_COUNT,
            "\"N\" is a force; say it per count, as in N/count",
        ),
        (
            "3 N*m/",
            &TORQUE,
            "the unit \"N*m/\" doesn't read: join units with *, · or /, as in N*m/(rad/s)",
        ),
        (
            "3 J/kg*K",
            &TORQUE,
            "the unit \"J/kg*K\" doesn't read: after a slash, put the product in brackets",
        ),
        (
            "3 (N*m",
            &TORQUE,
            "the unit \"(N*m\" doesn't read: a bracket isn't closed",
        ),
        (
            "3 N*m)",
            &TORQUE,
            "the unit \"N*m)\" doesn't read: a closing bracket has no opening one",
        ),
        (
            "3 m^99",
            &LENGTH,
            "the unit \"m^99\" doesn't read: an exponent is a whole number from -9 to 9",
        ),
        (
            "3 ((m^9)^9)^9",
            &LENGTH,
            "the unit \"((m^9)^9)^9\" doesn't read: an exponent is too large",
        ),
        (
            "8 lb-ft",
            &TORQUE,
            "the unit \"lb-ft\" doesn't read: join units with *, · or /, as in N*m/(rad/s)",
        ),
        ("8 m +/- 1 mm", &LENGTH, "no uncertainty can be given here"),
    ];
    for (text, kind, why) in cases {
        assert_eq!(
            quantity(text, kind).unwrap_err().to_string(),
            *why,
            "{text}"
        );
    }
    let spreads: &[(&str, &Kind, &str)] = &[
        ("8 m +/- wide", &LENGTH, "a number has to follow"),
        ("8 m +/- -1 mm", &LENGTH, "it can't be negative"),
        (
            "20 degC +/- 1 %",
            &TEMPERATURE,
            "a temperature has no percentage",
        ),
    ];
    for (text, kind, why) in spreads {
        let wanted = format!("the uncertainty after \"+/-\" doesn't read: {why}");
        assert_eq!(
            measured(text, kind).unwrap_err().to_string(),
            wanted,
            "{text}"
        );
    }
}

#[test]
fn shown_in_other_units() {
    assert_eq!(CELSIUS.text(453.15, 1), "180.0 °C");
    assert_eq!(FAHRENHEIT.text(453.15, 1), "356.0 °F");
    assert!(close(FAHRENHEIT.difference(5.0), 9.0, 1e-12));
    assert_eq!(
        POUND_FORCE_FOOT.text(1.355_817_948_331_400_3, 3),
        "1.000 lbf·ft"
    );
    assert_eq!(
        HORSEPOWER_MECHANICAL.text(745.699_871_582_270_2, 3),
        "1.000 hp"
    );
    assert_eq!(HORSEPOWER_METRIC.text(735.498_75, 3), "1.000 PS");
    assert_eq!(INCH_OF_MERCURY.text(3_386.388_640_341, 3), "1.000 inHg");
    assert_eq!(
        POUND_FOOT_SQUARED.text(0.042_140_110_093_804_8, 3),
        "1.000 lb·ft²"
    );
}

proptest! {
    #[test]
    fn any_text_is_read_or_refused(text in ".{0,140}") {
        for kind in [&LENGTH, &TEMPERATURE, &RATIO, &FRACTION] {
            if let Ok(found) = measured(&text, kind) {
                prop_assert!(found.value.is_finite() && found.standard_uncertainty >= 0.0);
            }
        }
    }

    #[test]
    fn text_like_a_quantity_is_read_or_refused(
        text in r"[-+−]?[0-9.e]{0,8} ?(\+/-|±)?[0-9. ]{0,4}[a-zA-Z%°µΩ0-9*/·()^²⁻ -]{0,24}"
    ) {
        if let Ok(found) = measured(&text, &TORQUE) {
            prop_assert!(found.value.is_finite() && found.standard_uncertainty >= 0.0);
        }
    }

    #[test]
    fn what_is_shown_reads_back(si in -1e6..1e6_f64) {
        let shown = FAHRENHEIT.number(si);
        let back = quantity(&format!("{shown:e} degF"), &TEMPERATURE).unwrap();
        prop_assert!((back - si).abs() < 1e-8);
        let shown = POUND_FORCE_FOOT.number(si);
        let back = quantity(&format!("{shown} lbf·ft"), &TORQUE).unwrap();
        prop_assert!((back - si).abs() < 1e-8);
    }
}
