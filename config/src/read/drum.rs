//! `[drum]` and its pieces.

use leverarm_torque::inertia::{self, Amount, Piece, Shape};
use leverarm_torque::uncertainty::Measured;

use crate::reader::{Choice, Flag, Found, MeasuredQuantity, Quantity as Q, Section, Text, Whole};
use crate::stand::Drum;
use crate::units;

pub(super) fn drum(section: Section<'_>) -> Option<Drum> {
    let inertia = section.optional(
        "inertia",
        &MeasuredQuantity(&units::INERTIA, ("1e-4 kg*m^2", "1e4 kg*m^2")),
    );
    let brake_torque_nm = section.optional(
        "brake_torque",
        &Q(&units::TORQUE, Some(("0 N*m", "100 kN*m"))),
    );
    if section.has("inertia") && !section.has("piece") {
        let outer_diameter =
            section.optional("outer_diameter", &Q(&units::LENGTH, Some(("10 mm", "5 m"))));
        section.finish();
        return Some(Drum {
            inertia_kg_m2: inertia?,
            pieces: Vec::new(),
            outer_radius_m: outer_diameter.map(|diameter| diameter / 2.0),
            brake_torque_nm,
        });
    }

    let place = section.place().clone();
    let log = section.log();
    let pieces: Vec<Option<Piece>> = section.sections("piece").into_iter().map(piece).collect();
    if section.has("inertia") {
        let both = "either the measured inertia or the pieces, not both";
        log.report(
            &place,
            "the inertia is given twice",
            Found::Text("inertia and pieces"),
            both,
            None,
        );
    } else if !section.has("piece") {
        section.missing(
            "inertia",
            format!("{}, or a list [[drum.piece]]", units::INERTIA),
        );
    }
    section.finish();
    let pieces = pieces.into_iter().collect::<Option<Vec<Piece>>>()?;
    let sum = match inertia::drum(&pieces) {
        Ok(sum) => sum,
        Err(error) => {
            let expected = "pieces that make a drum";
            log.report(
                &place,
                error.to_string(),
                Found::Text("pieces that don't"),
                expected,
                None,
            );
            return None;
        }
    };
    let outer_radius_m = pieces
        .iter()
        .filter(|piece| !piece.removed)
        .map(outer_radius_m);
    Some(Drum {
        inertia_kg_m2: sum.total.inertia_kg_m2,
        pieces: sum.pieces,
        outer_radius_m: outer_radius_m.reduce(f64::max),
        brake_torque_nm,
    })
}

/// Radius of the circle that the piece's outermost point runs on.
fn outer_radius_m(piece: &Piece) -> f64 {
    let own = match piece.shape {
        Shape::Cylinder { diameter_m, .. } | Shape::Sphere { diameter_m } => diameter_m.value / 2.0,
        Shape::Tube {
            outer_diameter_m, ..
        } => outer_diameter_m.value / 2.0,
        Shape::Plate {
            width_m, height_m, ..
        } => width_m.value.hypot(height_m.value) / 2.0,
        Shape::CrossBar {
            diameter_m,
            length_m,
        } => length_m.value.hypot(diameter_m.value) / 2.0,
        Shape::Point => 0.0,
    };
    piece.offset_m.value + own
}

#[derive(Clone, Copy)]
enum ShapeName {
    Cylinder,
    Tube,
    Plate,
    CrossBar,
    Sphere,
    Point,
}

fn piece(section: Section<'_>) -> Option<Piece> {
    const SHAPES: &[(&str, ShapeName)] = &[
        ("cylinder", ShapeName::Cylinder),
        ("tube", ShapeName::Tube),
        ("plate", ShapeName::Plate),
        ("cross bar", ShapeName::CrossBar),
        ("sphere", ShapeName::Sphere),
        ("point", ShapeName::Point),
    ];
    let size = |key| section.required(key, &MeasuredQuantity(&units::LENGTH, ("0.1 mm", "5 m")));
    let name = section.required("name", &Text("end plate"));
    let shape = section.required("shape", &Choice(SHAPES));
    let shape = shape.and_then(|shape| match shape {
        ShapeName::Cylinder => {
            let (diameter_m, length_m) = (size("diameter"), size("length"));
            Some(Shape::Cylinder {
                diameter_m: diameter_m?,
                length_m: length_m?,
            })
        }
        ShapeName::Tube => {
            let (outer, inner) = (size("outer_diameter"), size("inner_diameter"));
            let length_m = size("length");
            if let (Some(outer), Some(inner)) = (outer, inner)
                && inner.value >= outer.value
                && let Some(item) = section.item("inner_diameter")
            {
                item.fault("a tube has a wall", "less than the outer diameter", None);
                return None;
            }
            Some(Shape::Tube {
                outer_diameter_m: outer?,
                inner_diameter_m: inner?,
                length_m: length_m?,
            })
        }
        ShapeName::Plate => {
            let (width_m, height_m) = (size("width"), size("height"));
            let thickness_m = size("thickness");
            Some(Shape::Plate {
                width_m: width_m?,
                height_m: height_m?,
                thickness_m: thickness_m?,
            })
        }
        ShapeName::CrossBar => {
            let (diameter_m, length_m) = (size("diameter"), size("length"));
            Some(Shape::CrossBar {
                diameter_m: diameter_m?,
                length_m: length_m?,
            })
        }
        ShapeName::Sphere => Some(Shape::Sphere {
            diameter_m: size("diameter")?,
        }),
        ShapeName::Point => Some(Shape::Point),
    });
    if shape.is_none() {
        section.excuse_rest();
    }

    let mass = MeasuredQuantity(&units::MASS, ("0.1 g", "20000 kg"));
    let density = MeasuredQuantity(&units::DENSITY, ("100 kg/m^3", "23000 kg/m^3"));
    let amount = if section.has("mass") || matches!(shape, Some(Shape::Point)) {
        section.required("mass", &mass).map(Amount::Mass)
    } else {
        section.required("density", &density).map(Amount::Density)
    };
    let offset_m = section.optional("offset", &MeasuredQuantity(&units::LENGTH, ("0 mm", "5 m")));
    let count = section.optional("count", &Whole(1..=1000));
    let removed = section.optional("removed", &Flag);
    section.finish();
    Some(Piece {
        name: name?,
        shape: shape?,
        amount: amount?,
        offset_m: offset_m.unwrap_or(Measured::exact(0.0)),
        count: count.unwrap_or(1),
        removed: removed.unwrap_or(false),
    })
}
