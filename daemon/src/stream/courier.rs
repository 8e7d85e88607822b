//! What to send next, and what to make of the answer: the part of sending that has no socket and no
//! clock.
//!
//! A batch goes out in requests. A request that the server can't be had for is sent again, later
//! and later; one that the server refuses is halved until the points at fault stand alone. Such a
//! point is set aside only when the server takes another and then refuses this one again: a server
//! that refuses everything is out of order, and nothing is set aside for it.

use std::ops::Range;
use std::time::Duration;

use leverarm_vocabulary::RefusedPoint;

/// Most lines of one request.
const LINES_MAX: usize = 5000;
/// Most bytes of one request.
const BYTES_MAX: usize = 1 << 20;

const RETRY_FIRST: Duration = Duration::from_millis(500);
const RETRY_MAX: Duration = Duration::from_secs(30);
/// No less than this between two answers of a server that lets nobody in.
const DENIED_WAIT: Duration = Duration::from_secs(5);

/// A request that broke off so often is sent in halves: the way may be too slow for all of it.
const BREAKS_TO_HALVE: u32 = 3;
/// A single point that broke off so often may be the reason.
const BREAKS_TO_DOUBT: u32 = 6;

/// What the server made of a request.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Answer {
    /// It has the points.
    Taken,
    /// It does not want these points: status 400, 422, or 413.
    Refused(String),
    /// The request broke off: time-out, closed half way, a fault of the server.
    Broken(String),
    /// The server can't be reached, or says that it is busy.
    Later(String),
    /// It does not let us in, or does not know where to put points: a person has to see to it.
    Denied(String),
}

/// How sending goes, for whoever waits.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Progress<'a> {
    /// So many points are there now.
    Taken(usize),
    /// The server can't be had: why.
    Away(&'a str),
}

/// What to do next, with the lines themselves.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Request {
    /// Send these lines.
    Send(String),
    /// Wait, then ask again.
    Wait(Duration),
    /// Every line was taken or set aside.
    Done,
}

/// What to do next.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Ask {
    /// Send these lines.
    Send(Range<usize>),
    /// Send a point that is beyond doubt.
    Probe,
    /// Wait, then ask again.
    Wait(Duration),
    /// Every line was taken or set aside.
    Done,
}

/// A line that the server refuses, by its place in the batch, and why.
#[derive(Debug, Clone, PartialEq, Eq)]
struct SetAside {
    line: usize,
    reason: String,
}

/// Carries one batch of lines to a server.
#[derive(Debug)]
pub(super) struct Courier {
    /// What is still to be sent; the last is next.
    parts: Vec<Range<usize>>,
    set_aside: Vec<SetAside>,
    /// Answers in a row that were not [`Answer::Taken`] and not followed by another request at
    /// once.
    failures: u32,
    /// How often the next part broke off.
    breaks: u32,
    /// The shortest time to wait before the next request, if any.
    wait: Option<Duration>,
    doubt: Doubt,
}

/// Whether the next part, a single line then, is at fault.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Doubt {
    No,
    /// It was refused: does the server take anything?
    Asked,
    /// The server takes another line: does it refuse this one again?
    Confirmed,
}

impl Courier {
    pub(super) fn new(lines: &[String]) -> Self {
        let mut parts = Vec::new();
        let mut start = 0;
        let mut bytes = 0;
        for (index, line) in lines.iter().enumerate() {
            let full = index - start == LINES_MAX || bytes + line.len() > BYTES_MAX;
            if full && index > start {
                parts.push(start..index);
                (start, bytes) = (index, 0);
            }
            bytes += line.len() + 1;
        }
        if start < lines.len() {
            parts.push(start..lines.len());
        }
        parts.reverse();
        Self {
            parts,
            set_aside: Vec::new(),
            failures: 0,
            breaks: 0,
            wait: None,
            doubt: Doubt::No,
        }
    }

    /// What to do now with the lines of the batch. After [`Request::Wait`] the time is taken as
    /// waited.
    pub(super) fn request(&mut self, lines: &[String], probe: impl FnOnce() -> String) -> Request {
        match self.next() {
            Ask::Send(part) => Request::Send(lines.get(part).unwrap_or_default().join("\n")),
            Ask::Probe => Request::Send(probe()),
            Ask::Wait(time) => Request::Wait(time),
            Ask::Done => Request::Done,
        }
    }

    /// What an answer to the last request says of how sending goes.
    pub(super) fn progress<'a>(&self, answer: &'a Answer) -> Option<Progress<'a>> {
        let is_probe = self.doubt == Doubt::Asked;
        match answer {
            Answer::Taken if is_probe => Some(Progress::Taken(0)),
            Answer::Taken => self.parts.last().map(|part| Progress::Taken(part.len())),
            Answer::Refused(_) if !is_probe => None,
            Answer::Later(reason)
            | Answer::Broken(reason)
            | Answer::Denied(reason)
            | Answer::Refused(reason) => Some(Progress::Away(reason)),
        }
    }

    fn next(&mut self) -> Ask {
        if let Some(shortest) = self.wait.take() {
            let doublings = self.failures.saturating_sub(1).min(16);
            let growing = (RETRY_FIRST * 2_u32.pow(doublings)).min(RETRY_MAX);
            return Ask::Wait(growing.max(shortest));
        }
        match (self.parts.last(), self.doubt) {
            (None, _) => Ask::Done,
            (Some(_), Doubt::Asked) => Ask::Probe,
            (Some(part), Doubt::No | Doubt::Confirmed) => Ask::Send(part.clone()),
        }
    }

    /// The server's answer to the last request.
    pub(super) fn answer(&mut self, answer: Answer) {
        let doubt = std::mem::replace(&mut self.doubt, Doubt::No);
        match (doubt, answer) {
            (Doubt::Asked, Answer::Taken) => self.doubt = Doubt::Confirmed,
            (_, Answer::Denied(_)) => self.fail(DENIED_WAIT),
            // It is the server, not the line.
            (Doubt::Asked, _) | (_, Answer::Later(_)) => self.fail(Duration::ZERO),
            (Doubt::No | Doubt::Confirmed, Answer::Taken) => {
                self.parts.pop();
                (self.failures, self.breaks) = (0, 0);
            }
            (Doubt::Confirmed, Answer::Refused(reason) | Answer::Broken(reason)) => {
                if let Some(part) = self.parts.pop() {
                    let line = part.start;
                    self.set_aside.push(SetAside { line, reason });
                }
                (self.failures, self.breaks) = (0, 0);
            }
            (Doubt::No, Answer::Refused(_)) => self.halve_or_doubt(),
            (Doubt::No, Answer::Broken(_)) => {
                self.fail(Duration::ZERO);
                self.breaks += 1;
                let single = self.parts.last().is_some_and(|part| part.len() == 1);
                let patience = if single {
                    BREAKS_TO_DOUBT
                } else {
                    BREAKS_TO_HALVE
                };
                if self.breaks >= patience {
                    self.halve_or_doubt();
                }
            }
        }
    }

    fn fail(&mut self, wait: Duration) {
        self.failures = self.failures.saturating_add(1);
        self.wait = Some(wait);
    }

    fn halve_or_doubt(&mut self) {
        let Some(part) = self.parts.last().cloned() else {
            return;
        };
        self.breaks = 0;
        if part.len() > 1 {
            let middle = part.start + part.len() / 2;
            self.parts.pop();
            self.parts.push(middle..part.end);
            self.parts.push(part.start..middle);
        } else {
            self.doubt = Doubt::Asked;
        }
    }

    /// The lines that the server refuses.
    pub(super) fn into_refused(self, lines: &[String]) -> Vec<RefusedPoint> {
        let aside = self.set_aside.into_iter();
        aside
            .map(|SetAside { line, reason }| RefusedPoint {
                line: lines.get(line).cloned().unwrap_or_default(),
                reason,
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn lines(count: usize) -> Vec<String> {
        (0..count).map(|n| format!("line {n}")).collect()
    }

    /// How a server behaves at one request.
    #[derive(Debug, Clone, Copy, PartialEq)]
    enum Mood {
        Well,
        Busy,
        LosesRequest,
        /// It has the points, and the answer is lost.
        LosesAnswer,
        RefusesAll,
        Denies,
    }

    fn mood() -> impl Strategy<Value = Mood> {
        prop_oneof![
            4 => Just(Mood::Well),
            1 => Just(Mood::Busy),
            1 => Just(Mood::LosesRequest),
            1 => Just(Mood::LosesAnswer),
            1 => Just(Mood::RefusesAll),
            1 => Just(Mood::Denies),
        ]
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(256) })]

        /// Whatever a server does for a while: at the end every line is there, but for those it
        /// refuses, and these are set aside, each once.
        #[test]
        fn every_line_arrives_or_is_set_aside(
            count in 1..300_usize,
            poison in proptest::collection::btree_set(0..300_usize, 0..6),
            moods in proptest::collection::vec(mood(), 0..60),
        ) {
            let lines = lines(count);
            let poison: Vec<usize> = poison.into_iter().filter(|line| *line < count).collect();
            let mut courier = Courier::new(&lines);
            let mut arrived = vec![0_u32; count];
            let mut moods = moods.into_iter();
            let mut requests = 0;
            loop {
                let ask = courier.next();
                let mut mood = || moods.next().unwrap_or(Mood::Well);
                let (range, mood) = match ask {
                    Ask::Done => break,
                    Ask::Wait(time) => {
                        prop_assert!(time >= RETRY_FIRST && time <= RETRY_MAX);
                        continue;
                    }
                    Ask::Probe => (0..0, mood()),
                    Ask::Send(range) => (range, mood()),
                };
                requests += 1;
                prop_assert!(requests < 3000, "it goes on for ever");
                let text = || "why".to_owned();
                let answer = match mood {
                    Mood::Busy => Answer::Later(text()),
                    Mood::LosesRequest => Answer::Broken(text()),
                    Mood::RefusesAll => Answer::Refused(text()),
                    Mood::Denies => Answer::Denied(text()),
                    Mood::Well | Mood::LosesAnswer => {
                        let refused = range.clone().any(|line| poison.contains(&line));
                        // A server that takes the good part of a bad request, as some do.
                        for line in range.filter(|line| !poison.contains(line)) {
                            arrived[line] += 1;
                        }
                        match (refused, mood) {
                            (_, Mood::LosesAnswer) => Answer::Broken(text()),
                            (true, _) => Answer::Refused(text()),
                            (false, _) => Answer::Taken,
                        }
                    }
                };
                courier.answer(answer);
            }
            let mut aside: Vec<usize> = courier.set_aside.iter().map(|a| a.line).collect();
            aside.sort_unstable();
            // A good line is set aside only by a server that refuses it, takes another, and refuses
            // it again: moods change between two requests here as they would not in a real one.
            for (line, times) in arrived.iter().enumerate().take(count) {
                if poison.contains(&line) {
                    prop_assert!(aside.contains(&line), "{line} is lost");
                } else {
                    prop_assert!(*times > 0 || aside.contains(&line), "{line} is lost");
                }
            }
            let mut once = aside.clone();
            once.dedup();
            prop_assert_eq!(once, aside);
        }
    }

    #[test]
    fn only_the_line_at_fault_is_set_aside() {
        let lines = lines(5000);
        let mut courier = Courier::new(&lines);
        let mut requests = 0;
        loop {
            match courier.next() {
                Ask::Send(range) => {
                    requests += 1;
                    courier.answer(if range.contains(&1234) {
                        Answer::Refused("unable to parse".to_owned())
                    } else {
                        Answer::Taken
                    });
                }
                Ask::Probe => courier.answer(Answer::Taken),
                Ask::Wait(_) => panic!("a refusal needs no waiting"),
                Ask::Done => break,
            }
        }
        let expected = SetAside {
            line: 1234,
            reason: "unable to parse".to_owned(),
        };
        assert_eq!(courier.set_aside, [expected]);
        // Twice the binary logarithm of 5000, and two for the line itself.
        assert!(requests <= 28, "{requests}");
    }

    #[test]
    fn a_server_that_refuses_everything_costs_nothing_but_time() {
        let lines = lines(1000);
        let mut courier = Courier::new(&lines);
        let (mut waits, mut requests) = (0, 0);
        while waits < 20 {
            match courier.next() {
                Ask::Wait(_) => waits += 1,
                Ask::Done => panic!("nothing arrived"),
                Ask::Send(_) | Ask::Probe => {
                    requests += 1;
                    courier.answer(Answer::Refused("no such path".to_owned()));
                }
            }
        }
        assert!(requests < 60, "{requests}");
        while courier.next() != Ask::Done {
            courier.answer(Answer::Taken);
        }
        // Not even the line that was in doubt when the server came back.
        assert_eq!(courier.set_aside, []);
    }

    #[test]
    fn a_way_too_slow_for_a_whole_request_is_given_smaller_ones() {
        let lines = lines(4096);
        let mut courier = Courier::new(&lines);
        let mut longest_taken = 0;
        loop {
            match courier.next() {
                Ask::Send(range) if range.len() > 300 => {
                    courier.answer(Answer::Broken("timed out".to_owned()));
                }
                Ask::Send(range) => {
                    longest_taken = longest_taken.max(range.len());
                    courier.answer(Answer::Taken);
                }
                Ask::Probe => panic!("nothing is in doubt"),
                Ask::Wait(_) => {}
                Ask::Done => break,
            }
        }
        assert_eq!(longest_taken, 256);
        assert_eq!(courier.set_aside, []);
    }

    #[test]
    fn waiting_grows_to_half_a_minute_and_shrinks_at_once() {
        let lines = lines(10);
        let mut courier = Courier::new(&lines);
        let mut waited = Vec::new();
        for _ in 0..9 {
            assert_eq!(courier.next(), Ask::Send(0..10));
            courier.answer(Answer::Later("refused".to_owned()));
            let Ask::Wait(time) = courier.next() else {
                panic!("a wait");
            };
            waited.push(time.as_millis());
        }
        assert_eq!(
            waited,
            [500, 1000, 2000, 4000, 8000, 16_000, 30_000, 30_000, 30_000]
        );
        courier.answer(Answer::Denied("unauthorized".to_owned()));
        assert_eq!(courier.next(), Ask::Wait(RETRY_MAX));
        courier.answer(Answer::Taken);
        assert_eq!(courier.next(), Ask::Done);

        let mut courier = Courier::new(&lines);
        courier.answer(Answer::Denied("unauthorized".to_owned()));
        assert_eq!(courier.next(), Ask::Wait(DENIED_WAIT));
    }

    #[test]
    fn requests_are_bounded_in_lines_and_bytes() {
        let sizes = |lines: &[String]| -> Vec<usize> {
            let parts = Courier::new(lines).parts;
            parts.iter().rev().map(ExactSizeIterator::len).collect()
        };
        assert_eq!(sizes(&[]), Vec::<usize>::new());
        assert_eq!(sizes(&lines(12_000)), [5000, 5000, 2000]);
        let long = vec!["x".repeat(BYTES_MAX / 3); 7];
        assert_eq!(sizes(&long), [2, 2, 2, 1]);
        assert_eq!(sizes(&vec!["x".repeat(2 * BYTES_MAX); 2]), [1, 1]);
    }
}
