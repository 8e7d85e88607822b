//! Whatever the data, the drawings stand.

use leverarm_plot::{Axis, Mark, Panel, Plot, Range, Series, Shade, Size, Theme, png, svg, text};
use proptest::prelude::*;
use roxmltree::Document;
use unicode_width::UnicodeWidthStr;

/// Any number, with the awkward ones often.
fn value() -> impl Strategy<Value = f64> {
    let awkward = vec![0.0, -0.0, f64::NAN, f64::INFINITY, f64::MIN, 1e100, 1e-300];
    prop_oneof![
        4 => -20.0..20.0_f64,
        1 => any::<f64>(),
        1 => prop::sample::select(awkward),
    ]
}

/// Any text, control characters among it.
fn label() -> impl Strategy<Value = String> {
    prop::collection::vec(any::<char>(), 0..40).prop_map(String::from_iter)
}

fn range() -> impl Strategy<Value = Range> {
    prop_oneof![
        Just(Range::Auto),
        Just(Range::IncludeZero),
        Just(Range::Whole),
        (value(), value()).prop_map(|(low, high)| Range::Fixed { low, high }),
    ]
}

prop_compose! {
    fn series()(
        label in label(),
        points in prop::collection::vec((value(), value()), 0..12),
        band in prop::option::of(prop::collection::vec((value(), value(), value()), 0..12)),
        style in any::<usize>(),
    ) -> Series {
        Series { label, points, band, style }
    }
}

fn mark() -> impl Strategy<Value = Mark> {
    prop_oneof![
        (value(), value(), label(), any::<usize>()).prop_map(|(x, y, label, style)| Mark::Peak {
            x,
            y,
            label,
            style
        }),
        (value(), label()).prop_map(|(x, label)| Mark::Vertical { x, label }),
        (value(), label()).prop_map(|(y, label)| Mark::Horizontal { y, label }),
    ]
}

prop_compose! {
    fn panel()(
        label in label(),
        range in range(),
        series in prop::collection::vec(series(), 0..9),
        marks in prop::collection::vec(mark(), 0..6),
        height_share in value(),
    ) -> Panel {
        Panel { y: Axis { label, unit: "N·m".into(), range }, series, marks, cells: None, height_share }
    }
}

prop_compose! {
    fn plot()(
        title in label(),
        range in range(),
        panels in prop::collection::vec(panel(), 0..4),
        shades in prop::collection::vec((value(), value(), label()), 0..3),
        notes in prop::collection::vec(label(), 0..4),
    ) -> Plot {
        let shades = shades.into_iter().map(|(low, high, label)| Shade { low, high, label });
        Plot {
            subtitle: title.clone(),
            title,
            x: Axis { label: "Engine speed".into(), unit: "rpm".into(), range },
            panels,
            shades: shades.collect(),
            notes,
        }
    }
}

fn config(cases: u32) -> ProptestConfig {
    ProptestConfig {
        cases,
        failure_persistence: None,
        ..ProptestConfig::default()
    }
}

proptest! {
    #![proptest_config(config(300))]

    #[test]
    fn any_plot_is_sound_xml_with_finite_coordinates(
        plot in plot(),
        width in 480_u32..2000,
        height in 320_u32..2000,
    ) {
        let svg = svg(&plot, Size::new(width, height).unwrap(), Theme::Dark);
        let document = Document::parse(&svg).unwrap();
        for node in document.descendants() {
            for name in ["x", "y", "width", "height", "r", "cx", "cy", "font-size"] {
                if let Some(value) = node.attribute(name) {
                    let value: f64 = value.parse().unwrap();
                    prop_assert!(value.abs() < 1e6, "{name} {value}");
                }
            }
            if let Some(path) = node.attribute("d") {
                prop_assert!(!path.contains("NaN") && !path.contains("inf"), "{path}");
            }
        }
    }

    #[test]
    fn any_plot_fits_the_terminal(
        plot in plot(),
        columns in 0_usize..200,
        rows in 0_usize..80,
    ) {
        let text = text(&plot, columns, rows);
        prop_assert!(text.lines().count() <= rows.max(12), "{text}");
        for line in text.lines() {
            prop_assert!(line.width() <= columns.max(24), "{}: {line}", line.width());
            prop_assert!(!line.chars().any(char::is_control), "{line:?}");
        }
    }
}

proptest! {
    // Pixels cost more.
    #![proptest_config(config(20))]

    #[test]
    fn any_plot_becomes_a_picture(plot in plot()) {
        prop_assert!(png(&plot, 480, 320, Theme::Light).is_ok());
    }
}
