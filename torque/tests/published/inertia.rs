//! Drum inertia against hand formulas and textbook examples.

use std::f64::consts::PI;

use crate::common::{close, close_rel, same};
use leverarm_torque::{
    inertia::{
        Amount, Inertia, InertiaError, Piece, Shape, drum, rim_speed_m_per_s, stored_energy_j,
    },
    uncertainty::Measured,
};

const STEEL: Amount = Amount::Density(Measured::exact(7850.0));

fn exact(value: f64) -> Measured {
    Measured::exact(value)
}

fn cylinder(diameter_m: f64, length_m: f64) -> Shape {
    Shape::Cylinder {
        diameter_m: exact(diameter_m),
        length_m: exact(length_m),
    }
}

fn piece(shape: Shape, amount: Amount) -> Piece {
    Piece {
        name: "piece".into(),
        shape,
        amount,
        offset_m: exact(0.0),
        count: 1,
        removed: false,
    }
}

fn total(pieces: &[Piece]) -> Inertia {
    drum(pieces).expect("test drum").total
}

fn tube(outer_m: f64, inner_m: f64, length_m: f64) -> Shape {
    Shape::Tube {
        outer_diameter_m: exact(outer_m),
        inner_diameter_m: exact(inner_m),
        length_m: exact(length_m),
    }
}

#[test]
fn discs_and_tubes() {
    // I = m r²/2 and π/2 ρ L (R⁴ − r⁴), density 7850 kg/m³, worked by hand formula.
    for (shape, mass, inertia) in [
        (
            cylinder(0.3, 0.1),
            55.488_380_244_029_71,
            0.624_244_277_745_334_2,
        ),
        (
            cylinder(0.4, 0.3),
            295.938_027_968_158_56,
            5.918_760_559_363_172_5,
        ),
        (
            tube(0.4, 0.36, 0.3),
            56.228_225_313_950_19,
            2.035_461_756_364_997,
        ),
    ] {
        let found = total(&[piece(shape, STEEL)]);
        same("mass", found.mass_kg.value, mass);
        same("inertia", found.inertia_kg_m2.value, inertia);
    }
}

#[test]
fn drum_assembly() {
    // Tube OD 400 ID 360 L 300, two plates OD 360 ID 40 t 12, shaft d 40 L 500, steel 7850.
    let assembly = [
        piece(tube(0.4, 0.36, 0.3), STEEL),
        Piece {
            count: 2,
            ..piece(tube(0.36, 0.04, 0.012), STEEL)
        },
        piece(cylinder(0.04, 0.5), STEEL),
    ];
    let found = total(&assembly);
    same("mass", found.mass_kg.value, 80.100_559_570_048_3);
    let inertia = found.inertia_kg_m2.value;
    same("inertia", inertia, 2.347_064_770_613_603);
    let omega = |rpm: f64| rpm * PI / 30.0;
    close_rel(
        "energy at 1000 rpm",
        stored_energy_j(inertia, omega(1000.0)),
        12_869.222_660_938_776,
        1e-9,
    );
    close_rel(
        "energy at 3000 rpm",
        stored_energy_j(inertia, omega(3000.0)),
        115_823.003_948_449_03,
        1e-9,
    );
    // The plates' bores can be written as removed cylinders instead.
    let bored = [
        piece(tube(0.4, 0.36, 0.3), STEEL),
        Piece {
            count: 2,
            ..piece(cylinder(0.36, 0.012), STEEL)
        },
        Piece {
            count: 2,
            removed: true,
            ..piece(cylinder(0.04, 0.012), STEEL)
        },
        piece(cylinder(0.04, 0.5), STEEL),
    ];
    same("bored", total(&bored).inertia_kg_m2.value, inertia);
}

#[test]
fn textbook_rotors() {
    // Halliday, Resnick & Walker, spin test of a rotor (from memory): solid steel disc of
    // 272 kg, radius 38.0 cm, 14 000 rev/min: 19.6 kg·m², 1466 rad/s, 2.1e7 J.
    let by_mass = |shape, kg| {
        total(&[piece(shape, Amount::Mass(exact(kg)))])
            .inertia_kg_m2
            .value
    };
    let rotor = by_mass(cylinder(0.76, 0.1), 272.0);
    close("rotor", rotor, 19.6, 0.05);
    close_rel(
        "rotor energy",
        stored_energy_j(rotor, 14_000.0 * PI / 30.0),
        2.1e7,
        0.01,
    );
    // Wolfson, Essential University Physics, 4th ed., example 10.10: 135 kg, R 0.30 m at
    // 3246 rad/s: 6.1 kg·m², 32 MJ.
    let flywheel = by_mass(cylinder(0.6, 0.1), 135.0);
    close("flywheel", flywheel, 6.1, 0.05);
    close_rel(
        "flywheel energy",
        stored_energy_j(flywheel, 3246.0),
        32e6,
        0.01,
    );
    same(
        "rim",
        rim_speed_m_per_s(0.2, 3000.0 * PI / 30.0),
        62.831_853_071_795_87,
    );
}

#[test]
fn moments_of_solids() {
    // Standard solids (any mechanics handbook): ball 2/5 m r², cuboid m(a² + b²)/12, rod across
    // m(3r² + L²)/12, point m r².
    let by_mass = |shape| {
        total(&[piece(shape, Amount::Mass(exact(3.0)))])
            .inertia_kg_m2
            .value
    };
    same(
        "ball",
        by_mass(Shape::Sphere {
            diameter_m: exact(0.2),
        }),
        0.4 * 3.0 * 0.01,
    );
    let plate = Shape::Plate {
        width_m: exact(0.3),
        height_m: exact(0.4),
        thickness_m: exact(0.01),
    };
    same("plate", by_mass(plate), 3.0 * 0.25 / 12.0);
    let spoke = Shape::CrossBar {
        diameter_m: exact(0.02),
        length_m: exact(0.5),
    };
    same("spoke", by_mass(spoke), 3.0 * (3.0 * 0.0001 + 0.25) / 12.0);
    let point = Piece {
        offset_m: exact(0.5),
        ..piece(Shape::Point, Amount::Mass(exact(3.0)))
    };
    same("point", total(&[point]).inertia_kg_m2.value, 0.75);
    let volume = |shape| {
        total(&[piece(shape, Amount::Density(exact(1.0)))])
            .mass_kg
            .value
    };
    same(
        "ball volume",
        volume(Shape::Sphere {
            diameter_m: exact(2.0),
        }),
        4.0 / 3.0 * PI,
    );
    same("plate volume", volume(plate), 0.0012);
    same("spoke volume", volume(spoke), PI * 0.0001 * 0.5);
}

#[test]
fn bolt_holes_on_a_pitch_circle() {
    let disc = piece(cylinder(0.4, 0.02), STEEL);
    let holes = Piece {
        name: "M10 holes".into(),
        offset_m: exact(0.15),
        count: 6,
        removed: true,
        ..piece(cylinder(0.0105, 0.02), STEEL)
    };
    let found = drum(&[disc.clone(), holes]).unwrap();
    // Six holes, each m(D²/8 + R²), by hand.
    let hole_mass = 7850.0 * PI / 4.0 * 0.0105 * 0.0105 * 0.02;
    let holes_inertia = 6.0 * hole_mass * (0.0105 * 0.0105 / 8.0 + 0.15 * 0.15);
    let disc_inertia = total(&[disc]).inertia_kg_m2.value;
    same(
        "drum",
        found.total.inertia_kg_m2.value,
        disc_inertia - holes_inertia,
    );
    assert!(found.pieces[1].1.inertia_kg_m2.value < 0.0);
    assert_eq!(found.pieces[1].0, "M10 holes");
}

#[test]
fn uncertainty_of_a_disc() {
    // I = π/32 ρ L D⁴: relative variance 4² u_D² + u_L² + u_ρ² (JCGM 100:2008, 5.1.6).
    let disc = Piece {
        shape: Shape::Cylinder {
            diameter_m: Measured::new(0.4, 0.4 * 1e-3),
            length_m: Measured::new(0.3, 0.3 * 2e-3),
        },
        amount: Amount::Density(Measured::new(7850.0, 7850.0 * 3e-3)),
        ..piece(Shape::Point, STEEL)
    };
    let expected = (16.0 * 1e-6 + 4e-6 + 9e-6_f64).sqrt();
    let found = total(std::slice::from_ref(&disc)).inertia_kg_m2;
    close_rel(
        "one disc",
        found.relative_standard_uncertainty(),
        expected,
        1e-5,
    );
    // A second one with its own drawing: dimensions average out, the shared density does not.
    let found = total(&[disc.clone(), disc.clone()]).inertia_kg_m2;
    let expected = (20e-6 / 2.0 + 9e-6_f64).sqrt();
    close_rel(
        "two discs",
        found.relative_standard_uncertainty(),
        expected,
        1e-5,
    );
    // A count of two from one drawing: nothing averages out.
    let found = total(&[Piece { count: 2, ..disc }]).inertia_kg_m2;
    close_rel(
        "count 2",
        found.relative_standard_uncertainty(),
        29e-6_f64.sqrt(),
        1e-5,
    );
}

#[test]
fn weighed_pieces_are_independent() {
    let weighed = piece(cylinder(0.4, 0.3), Amount::Mass(Measured::new(10.0, 0.1)));
    let found = total(&[weighed.clone(), weighed]);
    close_rel(
        "mass",
        found.mass_kg.standard_uncertainty,
        0.1 * 2.0_f64.sqrt(),
        1e-9,
    );
    close_rel(
        "inertia",
        found.inertia_kg_m2.relative_standard_uncertainty(),
        0.01 / 2.0_f64.sqrt(),
        1e-9,
    );
}

#[test]
fn impossible_drums_are_refused() {
    assert_eq!(drum(&[]), Err(InertiaError::Empty));
    let message = |piece: Piece| drum(&[piece]).unwrap_err().to_string();
    let bad = message(piece(cylinder(-0.4, 0.3), STEEL));
    assert!(
        bad.contains("piece \"piece\", diameter: expected a positive"),
        "{bad}"
    );
    let bad = message(piece(cylinder(0.4, f64::NAN), STEEL));
    assert!(bad.contains("length"), "{bad}");
    let bad = message(piece(tube(0.36, 0.4, 0.3), STEEL));
    assert!(
        bad.contains("expected an inner diameter below the outer 0.36 m, found 0.4 m"),
        "{bad}"
    );
    let bad = message(piece(Shape::Point, STEEL));
    assert!(bad.contains("expected its mass"), "{bad}");
    let bad = message(Piece {
        count: 0,
        ..piece(cylinder(0.4, 0.3), STEEL)
    });
    assert!(bad.contains("found 0"), "{bad}");
    let bad = message(Piece {
        offset_m: exact(-0.1),
        ..piece(cylinder(0.4, 0.3), STEEL)
    });
    assert!(bad.contains("offset: expected a non-negative"), "{bad}");
    let bad = message(piece(
        cylinder(0.4, 0.3),
        Amount::Density(Measured::new(7850.0, -1.0)),
    ));
    assert!(bad.contains("density"), "{bad}");
    let bad = message(Piece {
        removed: true,
        ..piece(cylinder(0.4, 0.3), STEEL)
    });
    assert!(bad.contains("expected a positive mass"), "{bad}");
}
