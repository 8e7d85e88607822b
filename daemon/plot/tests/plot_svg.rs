//! The SVG read back with a general XML library: points, labels, escaping, gaps.

mod common;

use leverarm_plot::{Mark, Panel, Plot, Series, Shade, Size, Style, Theme, svg, svg_with_font};
use roxmltree::{Document, Node};

use common::{axis, series};

fn plot(panels: Vec<Panel>) -> Plot {
    Plot {
        title: "Main jet 105 and 110".into(),
        x: axis("Engine speed", "rpm", 3000.0, 9000.0),
        panels,
        ..Plot::default()
    }
}

fn torque(series: Vec<Series>) -> Panel {
    Panel::of(axis("Torque", "N·m", 0.0, 12.0), series)
}

fn draw(plot: &Plot) -> String {
    svg(plot, Size::new(1600, 900).expect("in range"), Theme::Light)
}

fn of_class<'a>(document: &'a Document<'_>, class: &str) -> Vec<Node<'a, 'a>> {
    let nodes = document.descendants();
    nodes
        .filter(|node| node.attribute("class") == Some(class))
        .collect()
}

fn number(node: Node<'_, '_>, name: &str) -> f64 {
    let value = node.attribute(name).expect("an attribute");
    value.parse().expect("a number")
}

/// All texts, the parts of a line of text apart.
fn texts(document: &Document<'_>) -> Vec<String> {
    let inside = |node: &Node<'_, '_>| {
        let name = node
            .parent()
            .map(|parent| parent.tag_name().name().to_owned());
        node.is_text() && matches!(name.as_deref(), Some("text" | "tspan"))
    };
    let nodes = document.descendants().filter(inside);
    nodes
        .map(|node| node.text().unwrap_or_default().to_owned())
        .collect()
}

/// The points of path data made of M and L commands, by subpath.
fn subpaths(path: &str) -> Vec<Vec<(f64, f64)>> {
    let point = |point: &str| {
        let (x, y) = point.split_once(' ').expect("x and y");
        (x.parse().expect("x"), y.parse().expect("y"))
    };
    let runs = path.split('M').skip(1);
    runs.map(|run| run.trim_end_matches('Z').split('L').map(point).collect())
        .collect()
}

/// The panels' areas `(left, top, width, height)`: the nested viewports.
fn areas(document: &Document<'_>) -> Vec<[f64; 4]> {
    let all = document.descendants();
    let nested = all.filter(|node| node.tag_name().name() == "svg").skip(1);
    nested
        .map(|node| ["x", "y", "width", "height"].map(|name| number(node, name)))
        .collect()
}

#[test]
fn points_land_where_a_straight_scale_puts_them() {
    let points = [(3000.0, 0.0), (4500.0, 9.0), (6000.0, 11.0), (9000.0, 6.0)];
    let mut panel = torque(vec![series("main jet 105", 0, &points)]);
    panel.series[0].band = Some(
        points
            .iter()
            .map(|(x, y)| (*x, y - 0.5, y + 0.25))
            .collect(),
    );
    let svg = draw(&plot(vec![panel]));
    let document = Document::parse(&svg).unwrap();
    let [left, top, width, height] = areas(&document)[0];
    let at = |x: f64, y: f64| {
        (
            left + (x - 3000.0) / 6000.0 * width,
            top + (12.0 - y) / 12.0 * height,
        )
    };
    let near = |(x1, y1): (f64, f64), (x2, y2): (f64, f64)| {
        (x1 - x2).abs() < 0.021 && (y1 - y2).abs() < 0.021
    };

    let curve = of_class(&document, "curve")[0];
    let drawn = subpaths(curve.attribute("d").unwrap());
    assert_eq!(drawn.len(), 1);
    assert_eq!(drawn[0].len(), points.len());
    for (drawn, (x, y)) in drawn[0].iter().zip(points) {
        assert!(near(*drawn, at(x, y)), "({x}, {y}) drawn at {drawn:?}");
    }

    let band = subpaths(of_class(&document, "band")[0].attribute("d").unwrap());
    let upper = points.iter().map(|(x, y)| at(*x, y + 0.25));
    let lower = points.iter().rev().map(|(x, y)| at(*x, y - 0.5));
    let outline: Vec<_> = upper.chain(lower).collect();
    assert_eq!(band[0].len(), outline.len());
    assert!(
        band[0]
            .iter()
            .zip(outline)
            .all(|(drawn, wanted)| near(*drawn, wanted))
    );

    // The numbers at the axes stand where their values are drawn.
    let ticks = of_class(&document, "x-tick");
    assert!(ticks.len() >= 4);
    for tick in ticks {
        let value: f64 = tick.text().unwrap().parse().unwrap();
        assert!(
            (number(tick, "x") - at(value, 0.0).0).abs() < 0.021,
            "{value}"
        );
    }
    let below: Vec<f64> = of_class(&document, "y-tick")
        .into_iter()
        .map(|tick| number(tick, "y") - at(0.0, tick.text().unwrap().parse().unwrap()).1)
        .collect();
    // The base line of the text is the same part of its size below the tick for each.
    assert!(below.len() >= 4);
    for drop in &below {
        assert!(
            (drop - below[0]).abs() < 0.031 && (0.0..16.0).contains(drop),
            "{below:?}"
        );
    }
}

#[test]
fn stacked_panels_share_the_x_axis_and_do_not_overlap() {
    let line = series("main jet 105", 0, &[(3000.0, 1.0), (9000.0, 2.0)]);
    let mut lower = torque(vec![line.clone()]);
    lower.height_share = 0.5;
    let svg = draw(&plot(vec![torque(vec![line]), lower]));
    let document = Document::parse(&svg).unwrap();
    let [upper, lower] = areas(&document)[..] else {
        panic!("two panels")
    };
    assert_eq!(
        (upper[0].to_bits(), upper[2].to_bits()),
        (lower[0].to_bits(), lower[2].to_bits())
    );
    assert!(upper[1] + upper[3] < lower[1]);
    assert!((lower[3] / upper[3] - 0.5).abs() < 0.001);
    // One row of numbers under both.
    let ticks = of_class(&document, "x-tick");
    assert!(
        ticks
            .iter()
            .all(|tick| number(*tick, "y") > lower[1] + lower[3])
    );
}

#[test]
fn gaps_break_the_line_and_a_lone_point_is_still_seen() {
    let nan = f64::NAN;
    let points = [
        (3000.0, 5.0),
        (4000.0, 6.0),
        (nan, nan),
        (5000.0, 7.0),
        (6000.0, nan),
        (7000.0, 8.0),
        (8000.0, f64::INFINITY),
        (8500.0, 7.0),
        (9000.0, 6.0),
    ];
    let svg = draw(&plot(vec![torque(vec![series(
        "main jet 105",
        0,
        &points,
    )])]));
    let document = Document::parse(&svg).unwrap();
    let runs = subpaths(of_class(&document, "curve")[0].attribute("d").unwrap());
    assert_eq!(runs.iter().map(Vec::len).collect::<Vec<_>>(), [2, 2]);
    assert_eq!(of_class(&document, "marker").len(), 2);
    assert!(!svg.contains("NaN") && !svg.contains("inf"));
}

#[test]
fn every_label_is_written() {
    let mut panel = torque(vec![
        series("main jet 105", 0, &[(3000.0, 8.0), (9000.0, 7.0)]),
        series("main jet 110", 1, &[(3000.0, 8.0), (9000.0, 7.0)]),
        series("main jet 115", 2, &[]),
    ]);
    panel.marks = vec![
        Mark::Peak {
            x: 6000.0,
            y: 11.0,
            label: "11.0 N·m at 6000 rpm".into(),
            style: 1,
        },
        Mark::Vertical {
            x: 8600.0,
            label: "rev limit".into(),
        },
        Mark::Horizontal {
            y: 3.0,
            label: "drag".into(),
        },
        // Outside the axes: left out.
        Mark::Horizontal {
            y: 99.0,
            label: "nowhere".into(),
        },
    ];
    let mut plot = plot(vec![panel]);
    plot.subtitle = "four pulls each".into();
    plot.notes = vec!["23 °C, 101 kPa".into(), "bands: 95 %".into()];
    plot.shades = vec![Shade {
        low: f64::NEG_INFINITY,
        high: 3500.0,
        label: "clutch slipping".into(),
    }];
    let svg = draw(&plot);
    let document = Document::parse(&svg).unwrap();
    let texts = texts(&document);
    for wanted in [
        "Main jet 105 and 110",
        "four pulls each",
        "Torque",
        "N·m",
        "Engine speed",
        "rpm",
        "main jet 105",
        "main jet 110",
        "main jet 115",
        "(no data)",
        "11.0 N·m at 6000 rpm",
        "rev limit",
        "drag",
        "clutch slipping",
        "23 °C, 101 kPa · bands: 95 %",
    ] {
        assert!(
            texts.iter().any(|text| text == wanted),
            "{wanted}: {texts:?}"
        );
    }
    assert!(!texts.iter().any(|text| text == "nowhere"));
    let peak = of_class(&document, "peak-label")[0];
    assert_eq!(
        peak.attribute("fill"),
        Some(Style::of(1, Theme::Light).colour)
    );
}

#[test]
fn labels_at_line_ends_keep_their_order_and_distance() {
    // All lines end within a few pixels of each other, named against their order.
    let names = ["e", "c", "a", "b", "d", "f"];
    let ends = [7.01, 7.05, 7.09, 7.07, 7.03, 6.99];
    let lines = names.iter().zip(ends).enumerate();
    let lines = lines.map(|(i, (name, end))| series(name, i, &[(3000.0, 8.0), (9000.0, end)]));
    let svg = draw(&plot(vec![torque(lines.collect())]));
    let document = Document::parse(&svg).unwrap();
    let mut labels: Vec<_> = of_class(&document, "label");
    assert_eq!(labels.len(), 6);
    labels.sort_by(|a, b| number(*a, "y").total_cmp(&number(*b, "y")));
    let order: Vec<_> = labels.iter().filter_map(Node::text).collect();
    assert_eq!(order, ["a", "b", "c", "d", "e", "f"]);
    for pair in labels.windows(2) {
        let apart = number(pair[1], "y") - number(pair[0], "y");
        assert!(apart >= number(pair[0], "font-size"), "{apart}");
    }
}

#[test]
fn values_of_neighbouring_peaks_do_not_cover_each_other() {
    let peak = |x, y, style| Mark::Peak {
        x,
        y,
        label: format!("{y} N·m at {x} rpm"),
        style,
    };
    let line = [(3000.0, 8.0), (6000.0, 11.0), (9000.0, 7.0)];
    let mut panel = torque(vec![series("a", 0, &line)]);
    panel.marks = vec![
        peak(6000.0, 11.0, 0),
        peak(6040.0, 11.2, 1),
        peak(6080.0, 10.9, 2),
        peak(5950.0, 11.1, 3),
    ];
    let svg = draw(&plot(vec![panel]));
    let document = Document::parse(&svg).unwrap();
    let labels = of_class(&document, "peak-label");
    assert_eq!(labels.len(), 4);
    for (i, a) in labels.iter().enumerate() {
        for b in &labels[i + 1..] {
            let size = number(*a, "font-size");
            // Each text is at least 8 figures wide.
            let beside = (number(*a, "x") - number(*b, "x")).abs() > 8.0 * size;
            let apart = (number(*a, "y") - number(*b, "y")).abs() >= size;
            assert!(beside || apart, "{:?} and {:?}", a.text(), b.text());
        }
    }
}

#[test]
fn markup_in_labels_stays_text() {
    let evil = "</text><script>alert(\"1\")</script> & 'jet' \u{1b}[31m";
    let mut plot = plot(vec![torque(vec![series(
        "a",
        0,
        &[(3000.0, 8.0), (9000.0, 7.0)],
    )])]);
    plot.title = evil.into();
    plot.panels[0].series[0].label = evil.into();
    plot.notes = vec![evil.into()];
    let svg = draw(&plot);
    let document = Document::parse(&svg).unwrap();
    assert!(
        !document
            .descendants()
            .any(|node| node.tag_name().name() == "script")
    );
    let shown = evil.replace('\u{1b}', "\u{fffd}");
    assert!(texts(&document).contains(&shown), "{:?}", texts(&document));
    let name = document.root_element().attribute("aria-label");
    assert_eq!(name, Some(shown.as_str()));
}

#[test]
fn nothing_to_draw_says_so() {
    let nan = f64::NAN;
    for plot in [
        Plot::default(),
        plot(vec![Panel::default()]),
        plot(vec![torque(vec![series(
            "main jet 105",
            0,
            &[(nan, 1.0), (5000.0, nan)],
        )])]),
        plot(vec![torque(vec![series(
            "outside",
            0,
            &[(1.0, 1.0), (2.0, 2.0)],
        )])]),
    ] {
        let svg = draw(&plot);
        let document = Document::parse(&svg).unwrap();
        assert!(
            texts(&document).iter().any(|text| text == "no data"),
            "{svg}"
        );
    }
}

#[test]
fn the_same_plot_gives_the_same_bytes_without_ids() {
    let plot = plot(vec![torque(vec![series(
        "a",
        0,
        &[(3000.0, 8.0), (9000.0, 7.0)],
    )])]);
    assert_eq!(draw(&plot), draw(&plot.clone()));
    assert!(
        !draw(&plot).contains(" id="),
        "ids would clash in a page with two plots"
    );
}

#[test]
fn a_file_that_stands_alone_has_its_font_inside() {
    let plot = plot(vec![torque(vec![series(
        "a",
        0,
        &[(3000.0, 8.0), (9000.0, 7.0)],
    )])]);
    let svg = svg_with_font(&plot, Size::new(1600, 900).unwrap(), Theme::Light);
    let document = Document::parse(&svg).unwrap();
    let style = document
        .descendants()
        .find(|node| node.tag_name().name() == "style")
        .unwrap();
    let style = style.text().unwrap();
    let encoded: Vec<&str> = style.split("base64,").skip(1).collect();
    assert_eq!(encoded.len(), 2);
    // "OTTO", the tag of an OpenType font with CFF outlines, begins "T1RUT" in base64.
    assert!(
        encoded.iter().all(|font| font.starts_with("T1RUT")),
        "{}",
        &style[..200]
    );
    // Everything else is as without.
    let start = svg.find("<style>").unwrap();
    let end = svg.find("</style>").unwrap() + "</style>".len();
    assert_eq!(format!("{}{}", &svg[..start], &svg[end..]), draw(&plot));
}

#[test]
fn sizes_out_of_range_are_refused() {
    assert!(Size::new(480, 8192).is_ok() && Size::new(8192, 320).is_ok());
    for (width, height) in [
        (0, 900),
        (479, 900),
        (1600, 319),
        (8193, 900),
        (u32::MAX, u32::MAX),
    ] {
        let error = Size::new(width, height).unwrap_err().to_string();
        assert!(
            error.contains(&width.to_string()) && error.contains("480"),
            "{error}"
        );
    }
}
