//! Inertia by measurement against textbook formulas and forward-computed runs.

use leverarm_torque::calibration::inertia::{
    FallingRun, InertiaMeasurementError, added_ring, alpha_from_drop, compare, falling_weight,
    known_torque,
};
use leverarm_torque::uncertainty::Measured;

use crate::common::{Noise, close, close_rel, same};

const G: Measured = Measured::exact(9.806_65);

fn exact(value: f64) -> Measured {
    Measured::exact(value)
}

fn run(mass_kg: f64, alpha_rad_per_s2: f64) -> FallingRun {
    FallingRun {
        mass_kg: exact(mass_kg),
        alpha_rad_per_s2: exact(alpha_rad_per_s2),
    }
}

#[test]
fn two_falling_masses() {
    // Masses 5 and 15 kg on a radius of 0.2 m, friction 2 N·m: a1 and a2 computed forward from the
    // solid drum D 400 L 300 of 5.918 760 559 kg·m² and standard gravity.
    let (a1, a2) = (0.255_170_959_028_751_37, 0.841_262_683_306_125_2);
    let found = falling_weight([run(5.0, a1 / 0.2), run(15.0, a2 / 0.2)], exact(0.2), G).unwrap();
    close_rel(
        "I",
        found.inertia_kg_m2.value,
        5.918_760_559_363_172_5,
        1e-9,
    );
    close_rel("friction", found.friction_nm.value, 2.0, 1e-9);
    close("u(I)", found.inertia_kg_m2.standard_uncertainty, 0.0, 0.0);
}

#[test]
fn falling_mass_without_friction() {
    // I = m r² (g t²/2h − 1) with m 5 kg, r 0.05 m, h 1 m, t 4 s: 0.968 165 kg·m² (g 9.806 65). A
    // second run of the same drum, computed forward: α = m r g/(I + m r²).
    let inertia = 0.968_165;
    let first = alpha_from_drop(exact(1.0), exact(4.0), exact(0.05));
    close("α", first.value, 2.0 / (0.05 * 16.0), 1e-12);
    let second = 12.0 * 0.05 * 9.806_65 / (inertia + 12.0 * 0.0025);
    let runs = [
        FallingRun {
            mass_kg: exact(5.0),
            alpha_rad_per_s2: first,
        },
        run(12.0, second),
    ];
    let found = falling_weight(runs, exact(0.05), G).unwrap();
    close("I", found.inertia_kg_m2.value, inertia, 1e-3);
    close("friction", found.friction_nm.value, 0.0, 5e-4);
}

#[test]
fn textbook_falling_mass() {
    // Halliday, Resnick & Walker (from memory): disc M 2.5 kg, R 0.20 m, hanging 1.2 kg, g 9.8:
    // a = 4.8 m/s², α = 24 rad/s². With another hanging mass by the same formula,
    // a = 2mg/(M + 2m), the disc's I = MR²/2 comes back.
    let g = exact(9.8);
    let alpha = |m: f64| 2.0 * m * 9.8 / (2.5 + 2.0 * m) / 0.2;
    close("α", alpha(1.2), 24.0, 0.1);
    let found = falling_weight([run(1.2, alpha(1.2)), run(3.0, alpha(3.0))], exact(0.2), g);
    close_rel(
        "I",
        found.unwrap().inertia_kg_m2.value,
        0.5 * 2.5 * 0.04,
        1e-9,
    );
}

#[test]
fn falling_weight_uncertainty_against_monte_carlo() {
    let value = [5.0, 1.275_854_8, 15.0, 4.206_313_4, 0.2];
    let u = [0.005, 0.01, 0.01, 0.02, 0.000_5];
    let falling = |x: [f64; 5], u: [f64; 5]| {
        let m = |i: usize| Measured::new(x[i], u[i]);
        let runs = [
            FallingRun {
                mass_kg: m(0),
                alpha_rad_per_s2: m(1),
            },
            FallingRun {
                mass_kg: m(2),
                alpha_rad_per_s2: m(3),
            },
        ];
        falling_weight(runs, m(4), G).unwrap().inertia_kg_m2
    };
    let found = falling(value, u);
    let mut noise = Noise::new(3);
    let trials = 20_000;
    let drawn: Vec<f64> = (0..trials)
        .map(|_| {
            let x = std::array::from_fn(|i| value[i] + u[i] * noise.normal());
            falling(x, [0.0; 5]).value
        })
        .collect();
    let mean = drawn.iter().sum::<f64>() / f64::from(trials);
    let variance = drawn.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / f64::from(trials);
    close_rel("u(I)", found.standard_uncertainty, variance.sqrt(), 0.03);
    close("I", found.value, mean, 3.0 * variance.sqrt() / 100.0);
}

#[test]
fn known_torque_and_added_ring() {
    // A drum of 2.35 kg·m² with 1.4 N·m of loss at the speed looked at: driven by 20 N·m it gains
    // (20 − 1.4)/2.35, coasting it loses 1.4/2.35, with a ring of 0.5 kg·m² 1.4/2.85.
    let (inertia, loss, ring) = (2.35, 1.4, 0.5);
    let coasting = exact(-loss / inertia);
    let driven = exact((20.0 - loss) / inertia);
    let found = known_torque(Measured::new(20.0, 0.1), driven, coasting).unwrap();
    same("known torque", found.value, inertia);
    close_rel(
        "u, known torque",
        found.relative_standard_uncertainty(),
        0.005,
        1e-9,
    );
    let with_ring = exact(-loss / (inertia + ring));
    let found = added_ring(Measured::new(ring, 0.005), coasting, with_ring).unwrap();
    same("added ring", found.value, inertia);
    close_rel(
        "u, added ring",
        found.relative_standard_uncertainty(),
        0.01,
        1e-9,
    );
    // ∂I/∂α₁ = −I_ring α₂/(α₁ − α₂)²: half a percent of α₁ alone becomes 2.85 %.
    let shaky = Measured::new(coasting.value, 0.005 * -coasting.value);
    let found = added_ring(exact(ring), shaky, with_ring).unwrap();
    close_rel(
        "u, shaky",
        found.relative_standard_uncertainty(),
        0.005 * 2.85 / 0.5,
        2e-3,
    );
}

#[test]
fn computed_against_measured() {
    let computed = Measured::new(2.35, 0.02);
    let near = compare(computed, Measured::new(2.38, 0.02));
    assert!(near.agrees(), "{near}");
    same(
        "expanded",
        near.expanded_uncertainty_kg_m2,
        2.0 * 0.02 * 2.0_f64.sqrt(),
    );
    let far = compare(computed, Measured::new(2.45, 0.02));
    assert!(!far.agrees(), "{far}");
    assert_eq!(
        far.to_string(),
        "computed 2.3500 kg·m², measured 2.4500 kg·m²: difference +0.1000 kg·m² (+4.3 %) is \
         beyond the combined expanded uncertainty ±0.0566 kg·m² (k = 2)"
    );
}

#[test]
fn measurements_that_give_nothing() {
    let wild = |value| Measured::new(value, 0.1);
    let alike = [
        FallingRun {
            mass_kg: exact(5.0),
            alpha_rad_per_s2: wild(1.3),
        },
        FallingRun {
            mass_kg: exact(5.5),
            alpha_rad_per_s2: wild(1.5),
        },
    ];
    let error = falling_weight(alike, exact(0.2), G).unwrap_err();
    assert!(
        matches!(error, InertiaMeasurementError::TooAlike { .. }),
        "{error}"
    );
    // The heavier mass falling slower: two runs mixed up.
    let error = falling_weight([run(5.0, 4.0), run(15.0, 1.3)], exact(0.2), G).unwrap_err();
    assert!(
        matches!(error, InertiaMeasurementError::NotPositive { .. }),
        "{error}"
    );
    // A drum that slows faster with the ring on.
    let error = added_ring(exact(0.5), exact(-0.5), exact(-0.6)).unwrap_err();
    assert!(
        matches!(error, InertiaMeasurementError::NotPositive { .. }),
        "{error}"
    );
    // A deceleration given without its sign.
    let error = added_ring(exact(0.5), exact(0.6), exact(0.5))
        .unwrap_err()
        .to_string();
    assert!(
        error.contains("expected a negative number (slowing down), found 0.6"),
        "{error}"
    );
    let error = known_torque(Measured::new(20.0, 10.0), exact(8.0), exact(-0.6));
    let error = error.unwrap_err().to_string();
    assert!(
        error.contains("torque: expected a positive number known to better"),
        "{error}"
    );
}
