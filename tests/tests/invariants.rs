//! What the contributor's guide promises of the structure, checked from `cargo metadata` and the
//! sources.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

fn metadata() -> Value {
    let output = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version", "1", "--locked"])
        .current_dir(root())
        .output()
        .expect("cargo metadata runs");
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    serde_json::from_slice(&output.stdout).expect("metadata is JSON")
}

/// Names of a package's ordinary dependencies (not those of its tests and benches), all levels down.
fn dependencies(metadata: &Value, package: &str) -> Vec<String> {
    let nodes = metadata["resolve"]["nodes"].as_array().expect("nodes");
    let packages = metadata["packages"].as_array().expect("packages");
    let name_of = |id: &str| {
        let found = packages
            .iter()
            .find(|p| p["id"] == id)
            .expect("a package of that id");
        found["name"].as_str().expect("a name").to_owned()
    };
    let start = packages
        .iter()
        .find(|p| p["name"] == package)
        .expect("the package");
    let mut open = vec![start["id"].as_str().expect("an id").to_owned()];
    let mut seen: Vec<String> = Vec::new();
    while let Some(id) = open.pop() {
        let node = nodes
            .iter()
            .find(|n| n["id"] == id.as_str())
            .expect("a node");
        for dependency in node["deps"].as_array().expect("deps") {
            let kinds = dependency["dep_kinds"].as_array().expect("kinds");
            let ordinary = kinds.iter().any(|k| k["kind"].is_null());
            let id = dependency["pkg"].as_str().expect("an id").to_owned();
            let name = name_of(&id);
            if ordinary && !seen.contains(&name) {
                seen.push(name);
                open.push(id);
            }
        }
    }
    seen
}

#[test]
fn dependencies_run_one_way() {
    let metadata = metadata();
    let allowed: [(&str, &[&str]); 4] = [
        ("leverarm-protocol", &[]),
        ("leverarm-filters", &[]),
        ("leverarm-torque", &["leverarm-filters"]),
        ("leverarm-config", &["leverarm-filters", "leverarm-torque"]),
    ];
    for (package, allowed) in allowed {
        for dependency in dependencies(&metadata, package) {
            let ours = dependency.starts_with("leverarm");
            assert!(
                !ours || allowed.contains(&dependency.as_str()),
                "{package} depends on {dependency}"
            );
            for io in [
                "tokio",
                "mio",
                "rusqlite",
                "axum",
                "nix",
                "tokio-serial",
                "ureq",
            ] {
                assert_ne!(dependency, io, "{package} must do no I/O");
            }
        }
    }
}

/// Every text file of the checkout that git knows.
fn files() -> Vec<(PathBuf, String)> {
    let output = Command::new("git")
        .args(["ls-files", "-co", "--exclude-standard"])
        .current_dir(root())
        .output();
    let output = output.expect("git lists the files");
    assert!(output.status.success());
    let list = String::from_utf8_lossy(&output.stdout).into_owned();
    let files: Vec<(PathBuf, String)> = list
        .lines()
        .filter_map(|name| {
            Some((
                PathBuf::from(name),
                fs::read_to_string(root().join(name)).ok()?,
            ))
        })
        .collect();
    assert!(files.len() > 50, "the scan sees the sources");
    files
}

fn is_source(path: &Path, crates: &[&str]) -> bool {
    path.extension().is_some_and(|e| e == "rs")
        && crates
            .iter()
            .any(|c| path.starts_with(Path::new(c).join("src")))
}

#[test]
fn pure_crates_have_no_clock_no_file_and_no_runtime() {
    for (path, text) in files() {
        if !is_source(&path, &["protocol", "filters", "torque", "config"]) {
            continue;
        }
        for word in [
            "Instant::now",
            "SystemTime::now",
            "std::fs",
            "TcpStream",
            "UdpSocket",
            "std::process",
            "tokio",
            "std::thread",
        ] {
            let found = text
                .lines()
                .position(|line| !line.trim_start().starts_with("//") && line.contains(word));
            assert!(
                found.is_none(),
                "{}:{}: {word}",
                path.display(),
                found.unwrap_or(0) + 1
            );
        }
    }
}

#[test]
fn only_the_clock_module_reads_a_clock() {
    for (path, text) in files() {
        if is_source(&path, &["daemon"]) && !path.ends_with("clock.rs") {
            for word in ["Instant::now()", "SystemTime::now()"] {
                assert!(!text.contains(word), "{}: {word}", path.display());
            }
        }
    }
}

#[test]
fn the_live_core_and_the_software_stand_do_no_io() {
    for (path, text) in files() {
        let pure = ["daemon/src/core", "daemon/src/software_stand"]
            .iter()
            .any(|p| path.starts_with(p));
        if pure {
            for word in ["tokio::", "std::fs", "std::net", "std::thread", "rusqlite"] {
                assert!(!text.contains(word), "{}: {word}", path.display());
            }
        }
    }
}

#[test]
fn queues_are_bounded() {
    for (path, text) in files() {
        if is_source(&path, &["daemon", "tests"]) {
            for word in ["unbounded_channel", "mpsc::channel()"] {
                assert!(!text.contains(word), "{}: {word}", path.display());
            }
        }
    }
}

/// Registries are named by package, and nobody's home directory belongs in a repository.
#[test]
fn no_hosts_and_no_local_paths() {
    // Put together here so that this file does not find itself.
    let hosts = [
        ["crates", "io"],
        ["pypi", "org"],
        ["npmjs", "org"],
        ["debian", "org"],
    ]
    .map(|h| h.join("."));
    let places = [
        "/ro".to_owned() + "ot/",
        "/ho".to_owned() + "me/",
        "/wo".to_owned() + "rk/",
    ];
    for (path, text) in files() {
        let is_lock = path.ends_with("Cargo.lock") || path.ends_with("package-lock.json");
        let is_licence = path.to_string_lossy().contains("LICENSE");
        for host in hosts.iter().filter(|_| !is_lock && !is_licence) {
            assert!(!text.contains(host.as_str()), "{}: {host}", path.display());
        }
        for place in places.iter().filter(|_| !is_licence) {
            assert!(
                !text.contains(place.as_str()),
                "{}: {place}",
                path.display()
            );
        }
    }
}

#[test]
fn each_crate_takes_the_workspace_lints() {
    for (path, text) in files() {
        if path.ends_with("Cargo.toml") && path.components().count() == 2 {
            assert!(
                text.contains("[lints]\nworkspace = true"),
                "{}",
                path.display()
            );
        }
    }
}
