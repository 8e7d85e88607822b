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
fn check(text: &str, kind: &Kind, wanted_si: f64) {
    let found = quantity(text, kind).unwrap_or_else(|error| panic!("{text}: {error}"));
    assert!(
        close(found, wanted_si, 1e-12),
        "{text}: found {found}, wanted {wanted_si}"
    );
}

/// Exact definitions of NIST SP 811, appendix B.8, as computed by pint 0.25.3 and
/// scipy.constants 1.17.1 (both agree).
#[test]
fn factors_of_nist_sp_811() {
    check("1 lbf*ft", &TORQUE, 1.355_817_948_331_400_3);
    check("1 lbf*in", &TORQUE, 0.112_984_829_027_616_7);
    check("1 hp", &POWER, 745.699_871_582_270_2);
    check("1 PS", &POWER, 735.498_75);
    check("1 psi", &PRESSURE, 6_894.757_293_168_361);
    check("1 inHg", &PRESSURE, 3_386.388_640_341);
    check("1 mmHg", &PRESSURE, 133.322_387_415);
    check("1 Torr", &PRESSURE, 133.322_368_421_052_63);
    check("1 ft^3/min", &VOLUME_FLOW, 0.000_471_947_443_200_000_1);
    check("1 in^3", &VOLUME, 1.638_706_4e-5);
    check("1 lb*ft^2", &INERTIA, 0.042_140_110_093_804_8);
    check("1 slug*ft^2", &INERTIA, 1.355_817_948_331_400_3);
    check("1 mph", &SPEED, 0.447_04);
    check("1 kgf*m", &TORQUE, 9.806_65);
    check("1 rpm", &ROTATION, 0.104_719_755_119_659_77);
    check("1 lbf", &FORCE, 4.448_221_615_260_5);
}

/// The same table says 3386.389 Pa for the inch of mercury at 0 °C (from memory, ±0.01 Pa): the
/// conventional one, not that at 60 °F (3376.85 Pa).
#[test]
fn inch_of_mercury_is_the_conventional_one() {
    let inch = quantity("1 inHg", &PRESSURE).unwrap();
    assert!((inch - 3_386.389).abs() <= 0.01, "{inch}");
    assert!(!close(inch, 3_376.85, 1e-3));
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
    check("12 in", &LENGTH, 0.304_8);
    check(
        "0.284 lb/in^3",
        &DENSITY,
        0.284 * 0.453_592_37 / 1.638_706_4e-5,
    );
    check("75.9 lb*ft^2", &INERTIA, 75.9 * 0.042_140_110_093_804_8);
    check("180 degC", &TEMPERATURE, 453.15);
    check("356 degF", &TEMPERATURE, 453.15);
    check("-40 °F", &TEMPERATURE, 233.15);
    assert_eq!(quantity("300 K", &TEMPERATURE).unwrap(), 300.0);
    check("1008 hPa", &PRESSURE, 100_800.0);
    check("45 %", &FRACTION, 0.45);
    check("250 ms", &DURATION, 0.25);
    assert_eq!(quantity("10 Hz", &FREQUENCY).unwrap(), 10.0);
    check("3 turn/s", &ROTATION, 6.0 * std::f64::consts::PI);
    check("36 km/h", &SPEED, 10.0);
    check("60 rpm/s", &ROTATION_RATE, 2.0 * std::f64::consts::PI);
    assert_eq!(quantity("2 N*m/(rad/s)", &LOSS_LINEAR).unwrap(), 2.0);
    check("1 N*m/rpm", &LOSS_LINEAR, 1.0 / 0.104_719_755_119_659_77);
    check("3e-6 N*m/(rad/s)^2", &LOSS_QUADRATIC, 3e-6);
    check("5 degF/s", &HEATING_RATE, 25.0 / 9.0);
    check("7.8125 uV/count", &VOLTAGE_PER_COUNT, 7.8125e-6);
    check("7.8125 µV/count", &VOLTAGE_PER_COUNT, 7.8125e-6);
    check("10 kΩ", &RESISTANCE, 1e4);
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
        check(text, &INERTIA, 3.2);
    }
    check("−5 degC", &TEMPERATURE, 268.15);
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
    for (text, wanted_m) in [
        ("250 mm +/- 0.5 mm", 5e-4),
        ("10 in +/- 1 mm", 1e-3),
        ("250 mm +/- 0.2 %", 5e-4),
        ("250 mm +/- 0.5", 5e-4),
    ] {
        let found = measured(text, &LENGTH).unwrap().standard_uncertainty;
        assert!(close(found, wanted_m, 1e-12), "{text}");
    }
    let warm = measured("68 +/- 1.8 degF", &TEMPERATURE).unwrap();
    assert!(close(warm.value, 293.15, 1e-12) && close(warm.standard_uncertainty, 1.0, 1e-12));
    // Percent of what is already in percent: points, not a part of it.
    let humid = measured("45 % +/- 5 %", &FRACTION).unwrap();
    assert!(close(humid.standard_uncertainty, 0.05, 1e-12));
    let ratio = measured("6.9 +/- 1 %", &RATIO).unwrap();
    assert!(close(ratio.value, 6.9, 1e-12) && close(ratio.standard_uncertainty, 0.069, 1e-12));
    let bare = measured("3.2 kg*m^2", &INERTIA).unwrap();
    assert_eq!(bare.standard_uncertainty, 0.0);
}

#[test]
fn what_is_no_quantity_says_why() {
    let cases = [
        (
            &LENGTH,
            r#"
            300: the unit is missing
            : it doesn't start with a number
            about 3 m: it doesn't start with a number
            inf m: it doesn't start with a number
            1,5 m: write the decimals after a point, and no comma
            1e999 m: the number is too large
            3 mn: there is no unit "mn"; did you mean "in"?
            3 furlong: there is no unit "furlong"
            3 kg: "kg" is a mass
            3 m^99: the unit "m^99" doesn't read: an exponent is a whole number from -9 to 9
            3 ((m^9)^9)^9: the unit "((m^9)^9)^9" doesn't read: an exponent is too large
            8 m +/- 1 mm: no uncertainty can be given here"#,
        ),
        (
            &ROTATION,
            r#"
            3 Rpm: there is no unit "Rpm"; did you mean "rpm"?
            150 Hz: "Hz" is a frequency; angle counts: a speed of rotation is in rpm, turn/s or rad/s"#,
        ),
        (
            &TORQUE,
            r#"
            8 lb*ft: "lb*ft" is a unit of something else; lb and kg are masses, the forces are lbf, kgf and N
            3 N*m/: the unit "N*m/" doesn't read: join units with *, · or /, as in N*m/(rad/s)
            3 J/kg*K: the unit "J/kg*K" doesn't read: after a slash, put the product in brackets
            3 (N*m: the unit "(N*m" doesn't read: a bracket isn't closed
            3 N*m): the unit "N*m)" doesn't read: a closing bracket has no opening one
            8 lb-ft: the unit "lb-ft" doesn't read: join units with *, · or /, as in N*m/(rad/s)"#,
        ),
        (
            &MASS,
            r#"
            8 lbf: "lbf" is a force; lbf, kgf and N are forces, the masses are lb and kg"#,
        ),
        (
            &FORCE_PER_COUNT,
            r#"
            0.0002 N: "N" is a force; say it per count, as in N/count"#,
        ),
    ];
    for (kind, cases) in cases {
        for case in cases.lines().skip(1) {
            let (text, why) = case.trim().split_once(':').unwrap();
            let found = quantity(text, kind).unwrap_err().to_string();
            assert_eq!(found, why.trim(), "{text}");
        }
    }
    for (text, kind, why) in [
        ("8 m +/- wide", &LENGTH, "a number has to follow"),
        ("8 m +/- -1 mm", &LENGTH, "it can't be negative"),
        (
            "20 degC +/- 1 %",
            &TEMPERATURE,
            "a temperature has no percentage",
        ),
    ] {
        let wanted = format!("the uncertainty after \"+/-\" doesn't read: {why}");
        let found = measured(text, kind).unwrap_err().to_string();
        assert_eq!(found, wanted, "{text}");
    }
}

#[test]
fn shown_in_other_units() {
    assert!(close(FAHRENHEIT.difference(5.0), 9.0, 1e-12));
    for (unit, si, decimals, shown) in [
        (CELSIUS, 453.15, 1, "180.0 °C"),
        (FAHRENHEIT, 453.15, 1, "356.0 °F"),
        (POUND_FORCE_FOOT, 1.355_817_948_331_400_3, 3, "1.000 lbf·ft"),
        (HORSEPOWER_MECHANICAL, 745.699_871_582_270_2, 3, "1.000 hp"),
        (HORSEPOWER_METRIC, 735.498_75, 3, "1.000 PS"),
        (INCH_OF_MERCURY, 3_386.388_640_341, 3, "1.000 inHg"),
        (
            POUND_FOOT_SQUARED,
            0.042_140_110_093_804_8,
            3,
            "1.000 lb·ft²",
        ),
    ] {
        assert_eq!(unit.text(si, decimals), shown);
    }
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
