//! The corpus of the fuzz targets, and seeded changes of it.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::path::{Path, PathBuf};

use fastrand::Rng;
use leverarm_tests::fuzz::TARGETS;

/// Changed inputs for each target, as far as they are quick.
const CHANGED: [(&str, u64); 7] = [
    ("decoder", 3_000),
    ("core", 1_000),
    ("config", 800),
    ("chunk", 100),
    ("store", 60),
    ("http", 400),
    ("overlay", 3_000),
];
const BYTES_MAX: usize = 256 * 1024;

fn corpus(target: &str) -> Vec<(PathBuf, Vec<u8>)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../fuzz/corpus")
        .join(target);
    let mut files: Vec<PathBuf> = std::fs::read_dir(&folder)
        .unwrap_or_else(|error| panic!("{}: {error}", folder.display()))
        .map(|entry| entry.unwrap().path())
        .collect();
    files.sort();
    files
        .into_iter()
        .map(|file| (file.clone(), std::fs::read(file).unwrap()))
        .collect()
}

/// Changes an input as a fuzzer does: bits, bytes, pieces gone, doubled, or taken from another.
fn change(random: &mut Rng, input: &mut Vec<u8>, others: &[(PathBuf, Vec<u8>)]) {
    for _ in 0..random.u32(1..8) {
        if input.is_empty() {
            input.push(random.u8(..));
        }
        let at = random.usize(0..input.len());
        let end = (at + random.usize(1..64)).min(input.len());
        match random.u8(0..7) {
            0 | 1 => input[at] ^= 1 << random.u8(0..8),
            2 => {
                input[at] = random
                    .choice([0, 1, 0x7F, 0x80, 0xFF, b'"', b'\n'])
                    .unwrap()
            }
            3 => drop(input.drain(at..end)),
            4 => {
                let piece = input[at..end].to_vec();
                input.splice(at..at, piece);
            }
            5 => {
                let other = &others[random.usize(0..others.len())].1;
                if !other.is_empty() {
                    let from = random.usize(0..other.len());
                    let to = (from + random.usize(1..200)).min(other.len());
                    input.splice(at..at, other[from..to].iter().copied());
                }
            }
            _ => input.truncate(at),
        }
    }
    input.truncate(BYTES_MAX);
}

fn run(name: &str) {
    let (_, target) = TARGETS.into_iter().find(|it| it.0 == name).unwrap();
    let corpus = corpus(name);
    assert!(!corpus.is_empty(), "no corpus for {name}");
    let attempt = |what: &str, input: &[u8]| {
        if std::panic::catch_unwind(|| target(input)).is_err() {
            let kept = std::env::temp_dir().join(format!("leverarm-fuzz-{name}"));
            std::fs::write(&kept, input).unwrap();
            panic!("{what}; the input is in {}", kept.display());
        }
    };
    for (file, input) in &corpus {
        attempt(&file.display().to_string(), input);
    }
    let changed = CHANGED.into_iter().find(|it| it.0 == name).unwrap().1;
    for seed in 0..changed {
        let mut random = Rng::with_seed(seed);
        let mut input = corpus[random.usize(0..corpus.len())].1.clone();
        change(&mut random, &mut input, &corpus);
        attempt(&format!("change {seed}"), &input);
    }
}

#[test]
fn decoder() {
    run("decoder");
}

#[test]
fn core() {
    run("core");
}

#[test]
fn config() {
    run("config");
}

#[test]
fn chunk() {
    run("chunk");
}

#[test]
fn store() {
    run("store");
}

#[test]
fn http() {
    run("http");
}

#[test]
fn overlay() {
    run("overlay");
}
