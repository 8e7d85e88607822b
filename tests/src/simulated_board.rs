//! The reference firmware on a simulated chip: a program of its own, driven through pipes (`tests/firmware`).

#![expect(
    clippy::expect_used,
    reason = "a test's part: it stops where it can't go on"
)]

use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::process::{Child, ChildStdin, ChildStdout, Command as Process, Stdio};

/// Units of the simulators' time in a microsecond.
pub const CYCLES_PER_US: u64 = 16;

/// The simulated board, at the other end of its pipes.
#[derive(Debug)]
pub struct Board {
    process: Child,
    commands: ChildStdin,
    answers: BufReader<ChildStdout>,
    /// Bytes on the line, and when the last of them had come.
    pub sent: Vec<(u64, Vec<u8>)>,
    /// Edges of the pickups.
    pub edges: Vec<u64>,
    /// What the run pin went to.
    pub run_pin: Vec<(u64, bool)>,
    /// Starts of the chip.
    pub resets: Vec<u64>,
    /// For how many cycles the brake's driver was on, of how many, and whether it was turned round.
    pub brake: (f64, f64, bool),
    /// Steps that a stepper was told, up less down, as far as it was asked for.
    pub steps: i64,
}

impl Board {
    /// Starts the simulator of a chip.
    ///
    /// # Panics
    /// When there is no such program.
    #[must_use]
    pub fn start(program: &str, arguments: &[&str]) -> Self {
        let mut process = Process::new(program)
            .args(arguments)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("the simulator starts");
        Self {
            commands: process.stdin.take().expect("a pipe"),
            answers: BufReader::new(process.stdout.take().expect("a pipe")),
            process,
            sent: Vec::new(),
            edges: Vec::new(),
            run_pin: Vec::new(),
            resets: Vec::new(),
            brake: (0.0, 1.0, false),
            steps: 0,
        }
    }

    /// Gives it a command, and takes in what it says.
    ///
    /// # Panics
    /// When it ends, or says what no simulator says.
    pub fn command(&mut self, command: &str) {
        writeln!(self.commands, "{command}").expect("the simulator listens");
        for line in self.answers.by_ref().lines() {
            let line = line.expect("the simulator answers");
            let words: Vec<&str> = line.split(' ').collect();
            let number = |at: usize| -> u64 { words[at].parse().expect("a number") };
            match words[0] {
                "ok" => return,
                "sent" => self.sent.push((number(1), bytes(words[2]))),
                "edge" => self.edges.push(number(2)),
                "run_pin" => self.run_pin.push((number(1), words[2] == "1")),
                "reset" => self.resets.push(number(1)),
                "brake" => {
                    let real = |at: usize| -> f64 { words[at].parse().expect("a number") };
                    self.brake = (real(1), real(2), words[3] == "1");
                }
                "steps" => self.steps += words[1].parse::<i64>().expect("a number"),
                "converted" => {}
                _ => panic!("{command}: {line}"),
            }
        }
        panic!("{command}: the simulator ended");
    }

    /// Whether its run pin lets the engine run.
    #[must_use]
    pub fn lets_run(&self) -> bool {
        self.run_pin.last().is_some_and(|&(_, level)| level)
    }

    /// When the pin fell, the first time from then on.
    #[must_use]
    pub fn cut_at(&self, since: u64) -> Option<u64> {
        let mut falls = self.run_pin.iter().filter(|&&(_, level)| !level);
        falls.find(|&&(at, _)| at >= since).map(|&(at, _)| at)
    }
}

impl Drop for Board {
    fn drop(&mut self) {
        // It also ends by itself when its input does.
        self.process.kill().ok();
        self.process.wait().ok();
    }
}

fn bytes(hex: &str) -> Vec<u8> {
    let (pairs, _) = hex.as_bytes().as_chunks::<2>();
    let byte = |pair: &[u8; 2]| u8::from_str_radix(str::from_utf8(pair).expect("ASCII"), 16);
    pairs.iter().map(|pair| byte(pair).expect("hex")).collect()
}
