//! Sizing a drum, against handbook formulas worked elsewhere. The source stands beside each value.

use std::f64::consts::PI;

use leverarm_torque::inertia::stored_energy_j;
use leverarm_torque::size::{
    POISSON_STEEL, Tube, WantedPull, bored_disc_hoop_stress_pa, permissible_unbalance,
    solid_disc_stress_pa, thin_ring_stress_pa,
};

const STEEL: f64 = 7850.0;

fn omega(rpm: f64) -> f64 {
    rpm * PI / 30.0
}

#[track_caller]
fn close(found: f64, expected: f64) {
    close_rel(found, expected, 1e-9);
}

#[track_caller]
fn close_rel(found: f64, expected: f64, tolerance: f64) {
    let error = (found - expected).abs() / expected.abs();
    assert!(error <= tolerance, "expected {expected}, found {found}");
}

/// Thin ring: σ = ρ v², Mechanical Engineer's Data Handbook p. 15. Solid and bored discs: the same
/// page; Shigley's Mechanical Engineering Design, rotating rings; Roark. Values computed apart from
/// this code from those formulas, steel at 3,000 rpm, radius 200 mm, bore radius 20 mm, ν 0.3.
#[test]
fn stresses_of_rotating_bodies() {
    let at = omega(3000.0);
    close(
        thin_ring_stress_pa(STEEL, 62.831_853_071_795_87),
        30_990_557.819_420_59,
    );
    close(
        solid_disc_stress_pa(STEEL, at, 0.2, POISSON_STEEL),
        12_783_605.100_510_994,
    );
    close(
        bored_disc_hoop_stress_pa(STEEL, at, 0.02, 0.2, POISSON_STEEL),
        25_621_443.677_205_976,
    );
}

/// The limits of the bored disc: a pinhole doubles a solid disc's stress at the centre, and a wall
/// without thickness has a thin ring's, ρ v².
#[test]
fn a_bored_disc_lies_between_a_solid_one_and_a_ring() {
    let at = omega(3000.0);
    let pinhole = bored_disc_hoop_stress_pa(STEEL, at, 1e-9, 0.2, POISSON_STEEL);
    let solid = solid_disc_stress_pa(STEEL, at, 0.2, POISSON_STEEL);
    close_rel(pinhole / solid, 2.0, 1e-6);
    let wall = bored_disc_hoop_stress_pa(STEEL, at, 0.2 - 1e-9, 0.2, POISSON_STEEL);
    close_rel(wall / thin_ring_stress_pa(STEEL, 0.2 * at), 1.0, 1e-6);
}

/// ISO 21940-11:2016, e·ω = G, U = m e. 1 µm is 1 g·mm/kg; 1 g·mm is 1e-6 kg·m.
#[test]
fn unbalance_by_grade() {
    for (mass, rpm, grade_mm_per_s, eccentricity_um, unbalance_g_mm) in [
        (40.0, 3000.0, 6.3, 20.053_522_829_6, 802.140_913_183_2),
        (40.0, 3000.0, 2.5, 7.957_747_154_6, 318.309_886_183_8),
        (80.0, 4000.0, 6.3, 15.040_142_122_2, 1_203.211_369_774_7),
    ] {
        let found = permissible_unbalance(mass, omega(rpm), grade_mm_per_s / 1000.0).unwrap();
        close(found.eccentricity_m * 1e6, eccentricity_um);
        close(found.unbalance_kg_m * 1e6, unbalance_g_mm);
    }
}

/// Tube OD 400, ID 360, length 300 mm, steel: I = π/2 ρ L (R⁴ − r⁴), worked by hand formula.
#[test]
fn a_tube_of_a_wanted_inertia() {
    let tube = Tube::with_inertia(2.035_461_756_364_997, 0.4, 0.02, STEEL).unwrap();
    close(tube.length_m, 0.3);
    close(tube.mass_kg(), 56.228_225_313_950_19);
    close_rel(tube.inertia_kg_m2(), 2.035_461_756_364_997, 1e-12);

    let found = tube.at(omega(3000.0));
    close_rel(found.rim_speed_m_per_s, 62.831_853_071_795_87, 1e-12);
    close_rel(
        found.energy_j,
        stored_energy_j(tube.inertia_kg_m2(), omega(3000.0)),
        1e-12,
    );
    assert!(found.bore_hoop_pa > found.thin_ring_pa);
    close(found.thin_ring_pa, 30_990_557.819_420_59 * 0.95 * 0.95);
}

/// Solid drum D 400, length 300 mm, from 1,000 to 3,000 rpm in 5 s asks for 247.924... N·m: T = I α,
/// computed apart from this code. Turned round, that torque in 5 s asks for that drum.
#[test]
fn inertia_for_a_wanted_pull() {
    let direct = WantedPull {
        torque_mean_nm: 247.924_462_555_364_78,
        start_rad_per_s: omega(1000.0),
        end_rad_per_s: omega(3000.0),
        ratio: 1.0,
        duration_s: 5.0,
        engine_inertia_kg_m2: 0.0,
    };
    close(
        direct.drum_inertia_kg_m2().unwrap(),
        5.918_760_559_363_172_5,
    );

    // An engine that turns four times as fast with a quarter of the torque is the same drum.
    let geared = WantedPull {
        torque_mean_nm: direct.torque_mean_nm / 4.0,
        start_rad_per_s: 4.0 * direct.start_rad_per_s,
        end_rad_per_s: 4.0 * direct.end_rad_per_s,
        ratio: 4.0,
        ..direct
    };
    close(
        geared.drum_inertia_kg_m2().unwrap(),
        5.918_760_559_363_172_5,
    );
    close_rel(geared.drum_end_rad_per_s(), omega(3000.0), 1e-12);

    // The engine's own inertia counts 4² times at the drum.
    let with_engine = WantedPull {
        engine_inertia_kg_m2: 0.01,
        ..geared
    };
    close(
        with_engine.drum_inertia_kg_m2().unwrap(),
        5.918_760_559_363_172_5 - 0.16,
    );
}

/// The worked table of hardware-notes/drums.md.
#[test]
fn the_table_of_the_hardware_notes() {
    let page = include_str!("../../hardware-notes/drums.md");
    let rows: Vec<Vec<f64>> = page
        .lines()
        .filter(|line| line.starts_with("| ") && line.contains(" rpm | ") && line.ends_with(" |"))
        .map(|line| {
            line.trim_matches('|')
                .split('|')
                .filter_map(|cell| {
                    cell.trim()
                        .trim_end_matches(" rpm")
                        .replace(',', "")
                        .parse()
                        .ok()
                })
                .collect()
        })
        .filter(|row: &Vec<f64>| row.len() == 6)
        .collect();
    assert_eq!(rows.len(), 3);
    for row in rows {
        for (duration_s, stated) in [4.0, 6.0, 8.0, 10.0].into_iter().zip(&row[2..]) {
            let pull = WantedPull {
                torque_mean_nm: 11.0,
                start_rad_per_s: omega(3000.0),
                end_rad_per_s: omega(9000.0),
                ratio: row[0],
                duration_s,
                engine_inertia_kg_m2: 0.0,
            };
            let inertia = pull.drum_inertia_kg_m2().unwrap();
            assert!((inertia - stated).abs() <= 0.0501, "{stated}: {inertia}");
            let drum_rpm = pull.drum_end_rad_per_s() * 30.0 / PI;
            assert!((drum_rpm - row[1]).abs() <= 0.5, "{}: {drum_rpm}", row[1]);
        }
    }
}

#[test]
fn impossible_sizes_are_named() {
    let pull = WantedPull {
        torque_mean_nm: 11.0,
        start_rad_per_s: 300.0,
        end_rad_per_s: 900.0,
        ratio: 5.5,
        duration_s: 6.0,
        engine_inertia_kg_m2: 0.006,
    };
    assert!(pull.drum_inertia_kg_m2().is_ok());
    let bad = [
        (
            WantedPull {
                torque_mean_nm: 0.0,
                ..pull
            },
            "mean torque",
        ),
        (
            WantedPull {
                ratio: -1.0,
                ..pull
            },
            "ratio",
        ),
        (
            WantedPull {
                duration_s: f64::NAN,
                ..pull
            },
            "duration of the pull",
        ),
        (
            WantedPull {
                start_rad_per_s: -1.0,
                ..pull
            },
            "speed at the start",
        ),
        (
            WantedPull {
                end_rad_per_s: 300.0,
                ..pull
            },
            "speed at the end",
        ),
        (
            WantedPull {
                engine_inertia_kg_m2: 0.2,
                ..pull
            },
            "inertia of the engine",
        ),
    ];
    for (pull, quantity) in bad {
        let error = pull.drum_inertia_kg_m2().unwrap_err();
        assert_eq!(error.quantity, quantity, "{error}");
    }
    assert_eq!(
        Tube::with_inertia(1.0, 0.3, 0.15, STEEL)
            .unwrap_err()
            .quantity,
        "wall"
    );
    assert_eq!(
        permissible_unbalance(0.0, 1.0, 1.0).unwrap_err().quantity,
        "mass"
    );
}
