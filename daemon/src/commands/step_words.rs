//! A list of steps in one line of words, as a test plan takes it: "six speeds: 3500 to 8500 rpm every 1000 rpm".

use anyhow::{Context, anyhow, bail};
use leverarm_vocabulary::load::{Step, StepList};

use super::Failure;
use super::load::{rate, row, share, speed, step};

const FORM: &str = "expected \"NAME: 3500 to 8500 rpm every 1000 rpm\", \"NAME: 8500 to 3500 rpm at 300 rpm/s\" or \
                    \"NAME: 3500 rpm, 5000 rpm\", and behind it, if wanted, \"; uncertainty 1 %; throttle 40 %\"";

/// A named list: an even row, a sweep, or steps with commas between; wishes behind semicolons.
pub(super) fn named_list(text: &str) -> Result<StepList, Failure> {
    let (name, rest) = text.split_once(':').ok_or_else(|| anyhow!(FORM))?;
    let mut parts = rest.split(';').map(str::trim);
    let steps = steps(parts.next().unwrap_or_default())?;
    let mut list = StepList {
        name: Some(name.trim().to_owned()),
        steps,
        ..StepList::default()
    };
    for wish in parts {
        match wish.split_once(' ') {
            Some(("uncertainty", value)) => list.torque_share = share(value)?,
            Some(("throttle", value)) => list.throttle = Some(share(value)?),
            _ => bail!("{wish:?}: {FORM}"),
        }
    }
    list.check()?;
    Ok(list)
}

fn steps(text: &str) -> Result<Vec<Step>, Failure> {
    let Some((from, rest)) = text.split_once(" to ") else {
        let each = text.split(',').map(|it| step(it.trim()));
        return each
            .collect::<Result<_, Failure>>()
            .with_context(|| format!("{text:?}: {FORM}"));
    };
    let by = |word: &str| rest.split_once(word).map(|(to, by)| (to.trim(), by.trim()));
    if let Some((to, distance)) = by(" every ") {
        let (from, to) = ends(from, to)?;
        return row(from, to, speed(distance)?);
    }
    if let Some((to, at)) = by(" at ") {
        let (from, to) = ends(from, to)?;
        return Ok(StepList::sweep(from, to, rate(at)?).steps);
    }
    bail!("{text:?}: {FORM}")
}

/// A unit behind the second stands for both.
fn ends(from: &str, to: &str) -> Result<(f64, f64), Failure> {
    let unit = to.split_once(' ').map_or("", |(_, unit)| unit);
    let from = from.trim();
    let from = if from.contains(' ') {
        from.to_owned()
    } else {
        format!("{from} {unit}")
    };
    Ok((speed(&from)?, speed(to)?))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lists_in_words() {
        let words = |text: &str| named_list(text).map(|list| list.words());
        for (text, expected) in [
            (
                "six: 3500 to 8500 rpm every 1000 rpm",
                "6 steps, 3500 to 8500 rpm",
            ),
            (
                "down: 8500 rpm to 3500 rpm at 300 rpm/s",
                "sweep, 8500 to 3500 rpm at 300 rpm/s",
            ),
            ("two: 4000 rpm, 6000 rpm", "2 steps, 4000 to 6000 rpm"),
            (
                "map: 3000 to 5000 rpm every 1000 rpm; uncertainty 1 %; throttle 40 %",
                "3 steps, 3000 to 5000 rpm, throttle at 40 %",
            ),
        ] {
            assert_eq!(words(text).unwrap(), expected, "{text}");
        }
        assert_eq!(named_list("a b: 4000 rpm").unwrap().name.unwrap(), "a b");
        for (text, expected) in [
            ("3500 to 8500 rpm every 500 rpm", "expected \"NAME: 3500"),
            ("a: 3500 to 8500 rpm", "expected \"NAME: 3500"),
            ("a: fast", "expected \"NAME: 3500"),
            ("a: 4000 rpm; slowly", "slowly"),
            (": 4000 rpm", "name: expected"),
            (
                "a: 4000 rpm; throttle 120 %",
                "throttle: expected 0.01 to 1",
            ),
        ] {
            let error = format!("{:#}", words(text).unwrap_err());
            assert!(error.contains(expected), "{text}: {error}");
        }
    }
}
