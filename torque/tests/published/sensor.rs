//! Sensor laws against the tables of their standards.

use crate::common::{close, close_rel};
use leverarm_torque::sensor::{
    Divider, Law, LawError, NtcCurve, NtcSide, SteinhartHart, platinum_temperature_k, type_k_emf_v,
    type_k_temperature_k,
};

const ZERO: f64 = 273.15;

/// °C, computed mV, mV as printed in NIST Monograph 175 (ITS-90) table for type K.
/// Computed with thermocouples_reference 0.20 and thermocouple-its90 1.0.2, which agree.
const TYPE_K: [(f64, f64, f64); 22] = [
    (-200.0, -5.891_403_592_350_401, -5.891),
    (-100.0, -3.553_631_336_580_600_5, -3.554),
    (-50.0, -1.889_383_330_014_719_4, -1.889),
    (0.0, 0.0, 0.0),
    (10.0, 0.396_861_907_759_126_16, 0.397),
    (20.0, 0.798_119_699_062_015_2, 0.798),
    (25.0, 1.000_242_354_567_562_5, 1.000),
    (50.0, 2.023_077_886_207_025, 2.023),
    (100.0, 4.096_230_218_723_254, 4.096),
    (200.0, 8.138_473_326_486_949, 8.138),
    (300.0, 12.208_565_529_996_957, 12.209),
    (400.0, 16.397_141_850_276_26, 16.397),
    (500.0, 20.644_286_390_043_515, 20.644),
    (600.0, 24.905_466_978_569_56, 24.905),
    (700.0, 29.128_973_851_335_047, 29.129),
    (800.0, 33.275_379_808_513_414, 33.275),
    (900.0, 37.325_915_370_853_84, 37.326),
    (1000.0, 41.275_606_456_313_95, 41.276),
    (1100.0, 45.118_735_840_020_19, 45.119),
    (1200.0, 48.838_237_932_820_19, 48.838),
    (1300.0, 52.410_274_713_271_89, 52.410),
    (1372.0, 54.886_364_025_304_395, 54.886),
];

#[test]
fn type_k_both_ways() {
    for (celsius, computed_mv, printed_mv) in TYPE_K {
        let mv = type_k_emf_v(celsius + ZERO).unwrap() * 1000.0;
        let name = format!("at {celsius} °C");
        close(&name, mv, computed_mv, 1e-8);
        close(&name, mv, printed_mv, 0.000_5);
        let kelvin = type_k_temperature_k(computed_mv / 1000.0).unwrap();
        close(&name, kelvin, celsius + ZERO, 1e-6);
    }
    // Example on the PyPI page of thermocouples_reference.
    close(
        "42 °C",
        type_k_emf_v(42.0 + ZERO).unwrap(),
        1.693_847_704_990_134_6e-3,
        1e-12,
    );
}

#[test]
fn type_k_round_trip_everywhere() {
    for step in 0..=15_720 {
        let kelvin = 73.15 + f64::from(step) * 0.1;
        let back = type_k_temperature_k(type_k_emf_v(kelvin).unwrap()).unwrap();
        // 1 µK: thousandfold below the published inverse's error, so it must have been polished.
        close(&format!("{kelvin} K"), back, kelvin, 1e-6);
    }
}

#[test]
fn type_k_cold_junction() {
    let law = Law::ThermocoupleK {
        volt_per_count: 1e-6,
        volt_at_zero: 0.0,
    };
    assert!(law.needs_cold_junction());
    // E(400 °C) − E(25 °C) with the terminals at 25 °C must give 400 °C.
    let hot = law.si(15_396.899_495_708_697, Some(25.0 + ZERO)).unwrap();
    close("400 °C", hot, 400.0 + ZERO, 1e-6);
    // 4.096 mV with the terminals at 25 °C gives 124.3 °C (PyPI page of thermocouple-its90).
    close(
        "124.3 °C",
        law.si(4096.0, Some(25.0 + ZERO)).unwrap(),
        124.3 + ZERO,
        0.06,
    );
    // Nothing read: the hot end is as warm as the terminals.
    close(
        "idle",
        law.si(0.0, Some(18.0 + ZERO)).unwrap(),
        18.0 + ZERO,
        1e-6,
    );
    assert_eq!(law.si(0.0, None), Err(LawError::ColdJunctionMissing));
    let message = law.si(60_000.0, Some(25.0 + ZERO)).unwrap_err().to_string();
    assert!(
        message.starts_with("thermocouple type K: expected voltage from"),
        "{message}"
    );
    assert!(
        law.si(0.0, Some(25.0)).is_err(),
        "a cold junction in °C is outside the law"
    );
}

#[test]
fn platinum_table() {
    // IEC 60751 Pt100. Table values 18.520 (−200), 60.256 (−100), 138.51 (100) seen printed; the
    // rest computed with A, B, C of the standard.
    let table = [
        (-200.0, 18.520_08),
        (-100.0, 60.255_84),
        (-50.0, 80.306_281_875),
        (0.0, 100.0),
        (20.0, 107.793_5),
        (25.0, 109.734_656_25),
        (50.0, 119.397_125),
        (100.0, 138.505_5),
        (150.0, 157.325_125),
        (200.0, 175.856),
        (300.0, 212.051_5),
        (400.0, 247.092),
        (600.0, 313.708),
        (850.0, 390.481_125),
    ];
    let pt100 = Law::Platinum {
        r0_ohm: 100.0,
        ohm_per_count: 0.001,
        ohm_at_zero: 0.0,
    };
    let pt1000 = Law::Platinum {
        r0_ohm: 1000.0,
        ohm_per_count: 0.01,
        ohm_at_zero: 5.0,
    };
    for (celsius, ohm) in table {
        let kelvin = celsius + ZERO;
        close(
            &format!("Pt100 {ohm} Ω"),
            pt100.si(ohm * 1000.0, None).unwrap(),
            kelvin,
            1e-6,
        );
        let counts = (ohm * 10.0 - 5.0) / 0.01;
        close(
            &format!("Pt1000 {ohm}0 Ω"),
            pt1000.si(counts, None).unwrap(),
            kelvin,
            1e-6,
        );
    }
    let message = pt100.si(391_000.0, None).unwrap_err().to_string();
    assert!(
        message.starts_with("platinum resistance: expected resistance ratio"),
        "{message}"
    );
    assert!(platinum_temperature_k(0.0).is_err(), "shorted");
    assert!(platinum_temperature_k(f64::INFINITY).is_err(), "open");
}

#[test]
fn ntc_beta() {
    // R = R25 exp(B (1/T − 1/298.15)), 10 kΩ, B 3950 K; computed.
    let table = [
        (-20.0, 105_384.690_206_037_97),
        (0.0, 33_620.603_721_435_74),
        (10.0, 20_174.577_023_984_85),
        (25.0, 10_000.0),
        (40.0, 5_301.466_859_409_668),
        (60.0, 2_486.164_751_473_382),
        (80.0, 1_270.320_234_843_620_5),
        (100.0, 697.519_772_986_188_1),
    ];
    let curve = NtcCurve::Beta {
        r25_ohm: 10_000.0,
        beta_k: 3950.0,
    };
    for (celsius, ohm) in table {
        close_rel(
            &format!("{ohm} Ω"),
            curve.temperature_k(ohm).unwrap(),
            celsius + ZERO,
            1e-9,
        );
        // The same through a divider with 4.7 kΩ on a 4095-count converter, either way up.
        let ground = 4095.0 * ohm / (ohm + 4700.0);
        for (ntc, counts) in [
            (NtcSide::Ground, ground),
            (NtcSide::Supply, 4095.0 - ground),
        ] {
            let divider = Divider {
                fixed_ohm: 4700.0,
                full_scale_counts: 4095.0,
                ntc,
            };
            let found = Law::Ntc { divider, curve }.si(counts, None).unwrap();
            close(&format!("{ntc:?} {counts}"), found, celsius + ZERO, 1e-9);
        }
    }
}

#[test]
fn ntc_faults() {
    let divider = Divider {
        fixed_ohm: 4700.0,
        full_scale_counts: 4095.0,
        ntc: NtcSide::Ground,
    };
    let curve = NtcCurve::Beta {
        r25_ohm: 10_000.0,
        beta_k: 3950.0,
    };
    let law = Law::Ntc { divider, curve };
    for counts in [0.0, 4095.0, -3.0, f64::NAN] {
        let message = law.si(counts, None).unwrap_err().to_string();
        assert!(
            message.starts_with("NTC thermistor: expected counts strictly from 0"),
            "{message}"
        );
    }
    // Nearly open: colder than any thermistor is used.
    let message = law.si(4094.9, None).unwrap_err().to_string();
    assert!(
        message.starts_with("NTC thermistor: expected temperature from 218.15"),
        "{message}"
    );
}

#[test]
fn steinhart_hart() {
    // Steinhart & Hart 1968 (Deep-Sea Research 15, 497) through 25 kΩ at 5 °C, 10 kΩ at 25 °C,
    // 4 kΩ at 45 °C; computed.
    let points = [(25_000.0, 278.15), (10_000.0, 298.15), (4_000.0, 318.15)];
    let curve = NtcCurve::SteinhartHart(SteinhartHart {
        a: 0.002_108_508_173_112_713,
        b: 7.979_204_726_779_842e-5,
        c: 6.535_076_314_649_458e-7,
    });
    for (ohm, kelvin) in points {
        close("point", curve.temperature_k(ohm).unwrap(), kelvin, 1e-4);
    }
}

#[test]
fn linear() {
    let linear = Law::Linear {
        per_count: 0.5,
        at_zero: -10.0,
    };
    assert_eq!(linear.si(100.0, None), Ok(40.0));
    let message = linear.si(f64::NAN, None).unwrap_err().to_string();
    assert!(
        message.starts_with("linear: expected a finite value"),
        "{message}"
    );
}

#[test]
fn any_counts_and_any_parameters_give_a_value_or_an_error() {
    let odd = [
        0.0,
        -0.0,
        1.0,
        -1.0,
        1e-300,
        1e300,
        f64::MAX,
        f64::INFINITY,
        -1e9,
        f64::NAN,
    ];
    let mut values = 0;
    for a in odd {
        for b in odd {
            let divider = Divider {
                fixed_ohm: a,
                full_scale_counts: b,
                ntc: NtcSide::Supply,
            };
            let laws = [
                Law::Linear {
                    per_count: a,
                    at_zero: b,
                },
                Law::ThermocoupleK {
                    volt_per_count: a,
                    volt_at_zero: b,
                },
                Law::Platinum {
                    r0_ohm: a,
                    ohm_per_count: b,
                    ohm_at_zero: 1.0,
                },
                Law::Ntc {
                    divider,
                    curve: NtcCurve::Beta {
                        r25_ohm: a,
                        beta_k: b,
                    },
                },
                Law::Ntc {
                    divider,
                    curve: NtcCurve::SteinhartHart(SteinhartHart { a, b, c: a }),
                },
            ];
            for (law, counts) in laws.iter().flat_map(|law| odd.map(|counts| (law, counts))) {
                for cold_junction_k in [None, Some(a), Some(298.15)] {
                    match law.si(counts, cold_junction_k) {
                        Ok(value) => {
                            assert!(value.is_finite(), "{law:?} {counts}");
                            values += 1;
                        }
                        Err(error) => assert!(error.to_string().starts_with(law.name()), "{error}"),
                    }
                }
            }
        }
    }
    assert!(values > 1000, "{values}");
}
