//! Lines of text that fit.

use unicode_width::UnicodeWidthStr;

/// Text hangs below the words after a label that is no longer than this.
const LABEL_MAX: usize = 24;
const TOGETHER: &str = "±\u{a0}";

/// Text whose lines are folded between words to fit. What follows hangs below the first word after
/// a label and two spaces, else a little further in than the line began. Longer words stay whole.
#[must_use]
pub fn folded(text: &str, columns: usize) -> String {
    let lines = text.split('\n').map(|line| folded_line(line, columns));
    lines.collect::<Vec<String>>().join("\n")
}

fn folded_line(line: &str, columns: usize) -> String {
    if line.width() <= columns {
        return line.to_owned();
    }
    let lead = line.len() - line.trim_start().len();
    let label = line[lead..].find("  ").map(|at| {
        let after = &line[lead + at..];
        lead + at + after.len() - after.trim_start().len()
    });
    let label = label.filter(|at| line[..*at].width() <= LABEL_MAX);
    let (head, rest) = line.split_at(label.unwrap_or(lead));
    let hang = label.map_or(lead + 2, |_| head.width());
    let mut done = head.to_owned();
    let mut used = head.width();
    let mut is_first = true;
    // What follows this sign stays with it.
    let rest = rest.replace("± ", TOGETHER);
    for word in rest.split(' ') {
        let word = word.replace(TOGETHER, "± ");
        if !is_first && used + 1 + word.width() > columns {
            done.truncate(done.trim_end().len());
            done.push('\n');
            done.push_str(&" ".repeat(hang));
            used = hang;
        } else if !is_first {
            done.push(' ');
            used += 1;
        }
        done.push_str(&word);
        used += word.width();
        is_first = false;
    }
    done
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_folds_between_words_and_hangs() {
        assert_eq!(folded("a few words", 40), "a few words");
        assert_eq!(
            folded("store      one two three", 20),
            "store      one two\n           three"
        );
        assert_eq!(
            folded("  one two three four", 12),
            "  one two\n    three\n    four"
        );
        assert_eq!(
            folded("/a/long/path/of/one/word x", 10),
            "/a/long/path/of/one/word\n  x"
        );
        assert_eq!(folded("a\n\nb", 40), "a\n\nb");
    }
}
