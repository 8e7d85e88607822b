//! A sheet as one HTML file that needs nothing else: style, font, plots and numbers are inside, and
//! its content policy forbids every request.

use base64::Engine as _;
use base64::prelude::BASE64_STANDARD;
use serde_json::{Value, json};

use super::{Block, Figure, Readout, Sheet};
use leverarm_analysis::comparison::Rows;
use leverarm_plot::{
    self as plot, FONT_BOLD, FONT_FAMILY, FONT_REGULAR, PlotError, Size, Style, Theme, escape,
};

/// Of a figure, user units: the text in it then reads like that around it.
const FIGURE_PX: (u32, u32) = (1150, 660);
/// Likewise on a phone.
const PHONE_PX: (u32, u32) = (480, 560);
const CSS: &str = include_str!("../../assets/sheet/sheet.css");
const SCRIPT: &str = include_str!("../../assets/sheet/readout.js");
const POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; font-src data:; img-src data:";

/// Sets a sheet as HTML.
///
/// # Errors
/// [`PlotError`], never for a sheet of this program.
pub fn html(sheet: &Sheet) -> Result<String, PlotError> {
    let mut body = String::new();
    for block in &sheet.blocks {
        body.push_str(&element(block)?);
        body.push('\n');
    }
    let title = escape(&sheet.title);
    Ok(format!(
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"{POLICY}\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta name=\"generator\" content=\"leverarm {version}\">\n\
         <link rel=\"icon\" href=\"data:,\">\n<title>{title}</title>\n\
         <style>\n{faces}\n{CSS}</style>\n</head>\n<body>\n<main>\n<h1>{title}</h1>\n\
         <p class=\"where\">{subtitle}</p>\n{body}</main>\n\
         <div class=\"readout\" role=\"status\" hidden></div>\n\
         <script type=\"application/json\" id=\"numbers\">{numbers}</script>\n\
         <script>\n{SCRIPT}</script>\n</body>\n</html>\n",
        version = env!("CARGO_PKG_VERSION"),
        faces = faces(),
        subtitle = escape(&sheet.subtitle),
        // "</script>" must not end the element early.
        numbers = numbers(&sheet.readout).to_string().replace('<', "\\u003c"),
    ))
}

fn faces() -> String {
    let face = |data: &[u8], weight: &str| {
        format!(
            "@font-face{{font-family:'{FONT_FAMILY}';font-weight:{weight};src:url(data:font/otf;base64,{}) format('opentype')}}",
            BASE64_STANDARD.encode(data)
        )
    };
    face(FONT_REGULAR, "normal") + "\n" + &face(FONT_BOLD, "bold")
}

fn element(block: &Block) -> Result<String, PlotError> {
    Ok(match block {
        Block::Heading(text) => format!("<h2>{}</h2>", escape(text)),
        Block::Answer(text) => format!("<p class=\"answer\">{}</p>", escape(text)),
        Block::Caution(text) => format!("<p class=\"caution\">{}</p>", escape(text)),
        Block::Text(text) => format!("<p>{}</p>", escape(text)),
        Block::Lines(lines) => {
            let items = lines
                .iter()
                .map(|line| format!("<li>{}</li>", escape(line)));
            format!("<ul>{}</ul>", items.collect::<String>())
        }
        Block::Table(rows) => table(rows),
        Block::Figure(figure) => drawn(figure)?,
    })
}

fn table(table: &Rows) -> String {
    let class = |column: usize| {
        if column < table.text_columns {
            ""
        } else {
            " class=\"number\""
        }
    };
    // The line break between quantity and unit is kept.
    let heading = |text: &String| {
        let lines: Vec<String> = text.split('\n').map(escape).collect();
        lines.join("\n")
    };
    let headings =
        table.headings.iter().enumerate().map(|(column, text)| {
            format!("<th{} scope=\"col\">{}</th>", class(column), heading(text))
        });
    let rows = table.rows.iter().map(|row| {
        let cells = row
            .iter()
            .enumerate()
            .map(|(column, text)| format!("<td{}>{}</td>", class(column), escape(text)));
        format!("<tr>{}</tr>\n", cells.collect::<String>())
    });
    format!(
        "<div class=\"scroll\"><table>\n<thead><tr>{}</tr></thead>\n<tbody>\n{}</tbody>\n</table></div>",
        headings.collect::<String>(),
        rows.collect::<String>()
    )
}

fn drawn(figure: &Figure) -> Result<String, PlotError> {
    let mut drawings = String::new();
    for ((width, height), place) in [(FIGURE_PX, ""), (PHONE_PX, " phone")] {
        let size = Size::new(width, height)?;
        for (theme, name) in [(Theme::Light, "light"), (Theme::Dark, "dark")] {
            let svg = plot::svg(&figure.plot, size, theme);
            let class = format!("<svg class=\"{name}{place}\" ");
            drawings.push_str(&svg.replacen("<svg ", &class, 1));
        }
    }
    Ok(format!(
        "<figure tabindex=\"0\" aria-label=\"{caption} Arrow keys move the readout.\">\n{drawings}<figcaption>{legend}{caption}</figcaption></figure>",
        legend = legend(&figure.plot),
        caption = escape(&figure.caption)
    ))
}

/// The names of the curves in full: on a phone there is little room at their ends.
fn legend(plot: &plot::Plot) -> String {
    let mut seen = Vec::new();
    for series in plot.panels.iter().flat_map(|panel| &panel.series) {
        let named = (series.style, series.label.as_str());
        if !named.1.is_empty() && !seen.contains(&named) {
            seen.push(named);
        }
    }
    let entry = |(style, label): &(usize, &str)| {
        let [light, dark] =
            [Theme::Light, Theme::Dark].map(|theme| Style::of(*style, theme).colour);
        format!(
            "<span><b style=\"color:light-dark({light},{dark})\">■</b> {}</span>",
            escape(label)
        )
    };
    let entries: String = seen.iter().map(entry).collect();
    format!("<span class=\"legend\" aria-hidden=\"true\">{entries}</span>")
}

fn numbers(readout: &Readout) -> Value {
    // Six digits are more than any pull tells.
    let short = |value: &f64| json!(format!("{value:.6e}").parse::<f64>().unwrap_or(*value));
    let all = |values: &[f64]| values.iter().map(short).collect::<Vec<Value>>();
    let columns = readout.columns.iter().map(|column| {
        json!({
            "label": column.label,
            "unit": column.unit,
            "signed": column.signed,
            "values": all(&column.values),
            "band": all(&column.band),
        })
    });
    json!({ "rpm": all(&readout.rpm), "columns": columns.collect::<Vec<Value>>() })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_person_wrote_stays_text() {
        let sheet = Sheet {
            title: "<b>jet</b> & needle".to_owned(),
            subtitle: String::new(),
            blocks: vec![
                Block::Text("</p><script>alert(1)</script>".to_owned()),
                Block::Table(Rows {
                    headings: vec!["a\nb".to_owned()],
                    rows: vec![vec!["<td>".to_owned()]],
                    text_columns: 0,
                }),
            ],
            readout: Readout {
                rpm: vec![1.0],
                columns: vec![super::super::ReadoutColumn {
                    label: "</script>".to_owned(),
                    unit: String::new(),
                    style: 0,
                    signed: false,
                    values: vec![1.0],
                    band: vec![1.0],
                }],
            },
        };
        let html = html(&sheet).unwrap();
        assert!(html.contains("&lt;b&gt;jet&lt;/b&gt; &amp; needle"));
        assert!(html.contains("&lt;script&gt;alert(1)"));
        assert!(html.contains("<td class=\"number\">&lt;td&gt;</td>"));
        assert_eq!(html.matches("</script>").count(), 2);
    }
}
