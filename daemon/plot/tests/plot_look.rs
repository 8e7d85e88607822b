//! Colours measured, pixels looked at.

use std::collections::HashSet;

use leverarm_plot::{Axis, FONT_LICENCE, Panel, Plot, PlotError, Range, Series, Style, Theme, png};
use resvg::tiny_skia::Pixmap;

const THEMES: [Theme; 2] = [Theme::Light, Theme::Dark];

/// Linear red, green and blue of `#RRGGBB`.
fn linear(colour: &str) -> [f64; 3] {
    [1, 3, 5].map(|at| {
        let channel =
            f64::from(u8::from_str_radix(&colour[at..at + 2], 16).expect("#RRGGBB")) / 255.0;
        if channel <= 0.04045 {
            channel / 12.92
        } else {
            ((channel + 0.055) / 1.055).powf(2.4)
        }
    })
}

/// Relative luminance, WCAG 2.2 (glossary).
fn luminance([red, green, blue]: [f64; 3]) -> f64 {
    0.2126 * red + 0.7152 * green + 0.0722 * blue
}

/// Contrast ratio, WCAG 2.2 (glossary): 1 to 21.
fn contrast(a: &str, b: &str) -> f64 {
    let (a, b) = (luminance(linear(a)), luminance(linear(b)));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

/// CIE 1976 L*a*b* under D65 of linear sRGB (IEC 61966-2-1).
fn lab(rgb: [f64; 3]) -> [f64; 3] {
    let rows = [
        [0.4124, 0.3576, 0.1805, 0.9505],
        [0.2126, 0.7152, 0.0722, 1.0],
        [0.0193, 0.1192, 0.9505, 1.0890],
    ];
    let [x, y, z] = rows.map(|row| {
        let t = (row[0] * rgb[0] + row[1] * rgb[1] + row[2] * rgb[2]).max(0.0) / row[3];
        if t > (6.0_f64 / 29.0).powi(3) {
            t.cbrt()
        } else {
            t * 841.0 / 108.0 + 4.0 / 29.0
        }
    });
    [116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)]
}

fn distance(a: [f64; 3], b: [f64; 3]) -> f64 {
    let squares = a.iter().zip(b).map(|(a, b)| (a - b).powi(2));
    squares.sum::<f64>().sqrt()
}

/// Ordinary sight, then Machado, Oliveira and Fernandes (2009) at full severity: protanopia,
/// deuteranopia, tritanopia. Matrices as in colour-science 0.4.7.
const SIGHTS: [[[f64; 3]; 3]; 4] = [
    [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
    [
        [0.152_286, 1.052_583, -0.204_868],
        [0.114_503, 0.786_281, 0.099_216],
        [-0.003_882, -0.048_116, 1.051_998],
    ],
    [
        [0.367_322, 0.860_646, -0.227_968],
        [0.280_085, 0.672_501, 0.047_413],
        [-0.011_82, 0.042_94, 0.968_881],
    ],
    [
        [1.255_528, -0.076_749, -0.178_779],
        [-0.078_411, 0.930_809, 0.147_602],
        [0.004_733, 0.691_367, 0.303_9],
    ],
];

fn seen(colour: &str, sight: &[[f64; 3]; 3]) -> [f64; 3] {
    let rgb = linear(colour);
    let channel = |row: [f64; 3]| row.iter().zip(rgb).map(|(a, b)| a * b).sum::<f64>();
    lab(sight.map(|row| channel(row).clamp(0.0, 1.0)))
}

#[test]
fn the_measures_agree_with_a_reference_library() {
    // colour-science 0.4.7: sRGB_to_XYZ, XYZ_to_Lab, delta_E CIE 1976.
    assert!((luminance(linear("#00537F")) - 0.077_188).abs() < 1e-4);
    assert!((luminance(linear("#777777")) - 0.184_475).abs() < 1e-4);
    let (a, b) = (lab(linear("#00537F")), lab(linear("#B9540A")));
    assert!(distance(a, [33.390, -4.066, -30.762]) < 0.1, "{a:?}");
    assert!((distance(a, b) - 96.313).abs() < 0.2);
    // WCAG 2.2: black on white is 21 to 1.
    assert!((contrast("#000000", "#FFFFFF") - 21.0).abs() < 1e-9);
}

#[test]
fn texts_and_lines_stand_out_from_the_ground() {
    for theme in THEMES {
        // WCAG 2.2, 1.4.3 (AA): 4.5 to 1 for text. The series' colours are used for text too.
        let series = (0..6).map(|index| Style::of(index, theme).colour);
        for colour in series.chain([theme.ink(), theme.muted()]) {
            let ratio = contrast(colour, theme.ground());
            assert!(ratio >= 4.5, "{theme:?} {colour}: {ratio:.2}");
        }
    }
}

#[test]
fn colours_differ_for_every_kind_of_sight() {
    for theme in THEMES {
        for (kind, sight) in SIGHTS.iter().enumerate() {
            let colours = [0, 1, 2, 3, 4, 5].map(|i| seen(Style::of(i, theme).colour, sight));
            for (i, a) in colours.iter().enumerate() {
                for (j, b) in colours.iter().enumerate().skip(i + 1) {
                    // A just noticeable difference is about 2.3 (from memory); the first two
                    // series, the usual comparison, must be far apart.
                    let least = if j == 1 { 35.0 } else { 12.0 };
                    let found = distance(*a, *b);
                    assert!(
                        found > least,
                        "{theme:?} sight {kind}: {i} and {j}: {found:.1}"
                    );
                }
            }
        }
        // In grey the first two differ in lightness.
        let [a, b] = [0, 1].map(|index| lab(linear(Style::of(index, theme).colour))[0]);
        assert!((a - b).abs() > 12.0, "{theme:?}: {a:.1}, {b:.1}");
    }
}

#[test]
fn styles_differ_without_colour_too() {
    for theme in THEMES {
        let styles: Vec<_> = (0..36).map(|index| Style::of(index, theme)).collect();
        let distinct = |styles: &[Style], sign: fn(&Style) -> String| {
            styles.iter().map(sign).collect::<HashSet<_>>().len()
        };
        assert_eq!(
            distinct(&styles[..6], |style| format!("{:?}", style.marker)),
            6
        );
        assert_eq!(
            distinct(&styles[..6], |style| format!("{:?}", style.dash)),
            6
        );
        let both = |style: &Style| format!("{} {:?}", style.colour, style.dash);
        assert_eq!(distinct(&styles, both), 36);
    }
}

/// A flat line at half height over known axes.
fn flat() -> Plot {
    let fixed = |label: &str, high| Axis {
        label: label.into(),
        unit: String::new(),
        range: Range::Fixed { low: 0.0, high },
    };
    Plot {
        title: "Flat".into(),
        x: fixed("Engine speed", 10.0),
        panels: vec![Panel::of(
            fixed("Torque", 2.0),
            vec![Series::line(
                "main jet 105",
                vec![(0.0, 1.0), (10.0, 1.0)],
                0,
            )],
        )],
        ..Plot::default()
    }
}

fn rgb(picture: &Pixmap, x: u32, y: u32) -> String {
    let pixel = picture.pixel(x, y).expect("inside").demultiply();
    format!(
        "#{:02X}{:02X}{:02X}",
        pixel.red(),
        pixel.green(),
        pixel.blue()
    )
}

#[test]
fn the_picture_has_the_size_asked_for_and_the_curve_in_it() {
    for theme in THEMES {
        let bytes = png(&flat(), 960, 540, theme).unwrap();
        // PNG (ISO/IEC 15948): signature, length of IHDR, IHDR with width and height.
        assert_eq!(&bytes[..8], b"\x89PNG\r\n\x1a\n");
        assert_eq!(&bytes[12..24], b"IHDR\x00\x00\x03\xC0\x00\x00\x02\x1C");
        let picture = Pixmap::decode_png(&bytes).unwrap();
        assert_eq!(rgb(&picture, 1, 1), theme.ground());

        // Down the middle of the picture there is one run of the curve's colour.
        let colour = Style::of(0, theme).colour;
        let rows: Vec<u32> = (0..540)
            .filter(|y| rgb(&picture, 480, *y) == colour)
            .collect();
        assert!((1..=3).contains(&rows.len()), "{theme:?}: {rows:?}");
        // All along the panel it is at the same height.
        let long = (0..960)
            .filter(|x| rgb(&picture, *x, rows[0]) == colour)
            .count();
        assert!(long > 480, "{theme:?}: {long}");
    }
}

#[test]
fn text_is_drawn_with_the_embedded_font() {
    // Pixels of full ink where the title stands.
    let inked = |title: &str| {
        let mut plot = flat();
        plot.title = title.into();
        plot.panels[0].y.label.clear();
        let picture = Pixmap::decode_png(&png(&plot, 960, 540, Theme::Light).unwrap()).unwrap();
        let pixels = (20..400).flat_map(|x| (15..45).map(move |y| (x, y)));
        let ink = Theme::Light.ink();
        pixels.filter(|(x, y)| rgb(&picture, *x, *y) == ink).count()
    };
    assert_eq!(inked(" "), 0);
    assert!(inked("Main jet 105") > 200);
    // Cyrillic and Greek are in the font; a script that isn't must not fail.
    assert!(inked("Жиклёр Ωμέγα") > 200);
    let plot = Plot {
        title: "主噴油嘴 🏍".into(),
        ..flat()
    };
    assert!(png(&plot, 960, 540, Theme::Dark).is_ok());
    assert!(FONT_LICENCE.contains("SIL OPEN FONT LICENSE"));
}

#[test]
fn the_same_plot_gives_the_same_picture() {
    let draw = || png(&flat(), 480, 320, Theme::Dark).unwrap();
    assert_eq!(draw(), draw());
}

#[test]
fn a_size_out_of_range_is_an_error() {
    let error = png(&flat(), 100_000, 100_000, Theme::Light).unwrap_err();
    assert!(matches!(
        error,
        PlotError::Size {
            width_px: 100_000,
            ..
        }
    ));
}
