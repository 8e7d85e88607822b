//! What holds for the workspace as a whole: who may depend on whom, and what no file may hold.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod modules;

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

use modules::{Modules, circle};

/// Crates that compute and know nothing of clocks, ports and files, with the crates of this
/// workspace that each may use, all without `leverarm-`.
const PURE: [(&str, &str); 10] = [
    ("protocol", ""),
    ("filters", ""),
    ("load", ""),
    ("torque", "filters"),
    ("config", "filters load torque"),
    ("vocabulary", ""),
    ("values", VALUES),
    (
        "live",
        "config filters load protocol torque values vocabulary",
    ),
    ("plot", ""),
    ("software-stand", "filters load protocol torque"),
];

const VALUES: &str = "config filters load protocol torque vocabulary";

/// Crates with files, but without a port or a runtime.
const OF_THE_STORE: [(&str, &str); 2] = [
    ("store", "vocabulary"),
    (
        "analysis",
        "config filters load plot protocol store torque values vocabulary",
    ),
];

/// Libraries that bring a runtime, a port or a network with them: the program's alone.
const OF_THE_PROGRAM: [&str; 10] = [
    "tokio",
    "mio",
    "tokio-serial",
    "serialport",
    "axum",
    "hyper",
    "reqwest",
    "influxdb2",
    "socket2",
    "clap",
];
/// Libraries for files and databases.
const OF_FILES: [&str; 4] = ["rusqlite", "nix", "rustix", "fs4"];

fn root() -> PathBuf {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap();
    root.to_path_buf()
}

/// What a program prints, or why it does not.
fn run(program: &str, arguments: &[&str]) -> Result<String, String> {
    let ran = Command::new(program)
        .args(arguments)
        .current_dir(root())
        .output()
        .map_err(|error| error.to_string())?;
    if !ran.status.success() {
        return Err(String::from_utf8_lossy(&ran.stderr).into_owned());
    }
    Ok(String::from_utf8(ran.stdout).unwrap())
}

/// Packages of this workspace, and the packages that each is built from, as cargo resolves them
/// for this machine; what only tests and benches need is left out.
struct Metadata {
    members: BTreeMap<String, Value>,
    names: BTreeMap<String, String>,
    licences: BTreeMap<String, String>,
    uses: BTreeMap<String, Vec<String>>,
}

impl Metadata {
    fn read() -> Self {
        let version = run("rustc", &["-vV"]).unwrap();
        let host = version
            .lines()
            .find_map(|line| line.strip_prefix("host: "))
            .unwrap();
        let text = run(
            env!("CARGO"),
            &[
                "metadata",
                "--format-version=1",
                "--locked",
                "--filter-platform",
                host,
            ],
        )
        .unwrap();
        let all: Value = serde_json::from_str(&text).unwrap();
        let list = |value: &Value| value.as_array().unwrap().clone();
        let text = |value: &Value| value.as_str().unwrap().to_owned();
        let ids: BTreeSet<String> = list(&all["workspace_members"]).iter().map(text).collect();
        let mut members = BTreeMap::new();
        let mut names = BTreeMap::new();
        let mut licences = BTreeMap::new();
        for package in list(&all["packages"]) {
            let (id, name) = (text(&package["id"]), text(&package["name"]));
            let licence = package["license"].as_str().unwrap_or_default();
            licences.insert(name.clone(), licence.to_owned());
            if ids.contains(&id) {
                members.insert(name.clone(), package);
            }
            names.insert(id, name);
        }
        let mut uses = BTreeMap::new();
        for node in list(&all["resolve"]["nodes"]) {
            let needed = |dependency: &Value| {
                let kinds = list(&dependency["dep_kinds"]);
                let is_needed = kinds.iter().any(|kind| kind["kind"] != "dev");
                is_needed.then(|| text(&dependency["pkg"]))
            };
            let needed = list(&node["deps"]).iter().filter_map(needed).collect();
            uses.insert(text(&node["id"]), needed);
        }
        Self {
            members,
            names,
            licences,
            uses,
        }
    }

    /// Names of everything that a member is built from.
    fn all_used_by(&self, member: &str) -> BTreeSet<String> {
        let mut waiting = vec![self.members[member]["id"].as_str().unwrap().to_owned()];
        let mut found = BTreeSet::new();
        while let Some(id) = waiting.pop() {
            for used in &self.uses[&id] {
                if found.insert(used.clone()) {
                    waiting.push(used.clone());
                }
            }
        }
        found.iter().map(|id| self.names[id].clone()).collect()
    }
}

/// What a member of the workspace is built from and must not be.
fn forbidden(metadata: &Metadata, name: &str, allowed: &str, libraries: &[&str]) -> Vec<String> {
    let allowed: Vec<String> = allowed.split_whitespace().map(member).collect();
    let used = metadata.all_used_by(name);
    used.into_iter()
        .filter(|used| {
            let is_member = metadata.members.contains_key(used);
            (is_member && !allowed.contains(used)) || libraries.contains(&used.as_str())
        })
        .collect()
}

/// Where a crate is.
fn folder_of(name: &str) -> String {
    let inner = format!("daemon/{name}");
    if root().join(&inner).is_dir() {
        inner
    } else {
        name.to_owned()
    }
}

/// A crate's whole name.
fn member(name: &str) -> String {
    format!("leverarm-{name}")
}

#[test]
fn dependencies_run_one_way() {
    let metadata = Metadata::read();
    let none: &[String] = &[];
    for (name, allowed) in PURE {
        let libraries = [&OF_THE_PROGRAM[..], &OF_FILES].concat();
        let found = forbidden(&metadata, &member(name), allowed, &libraries);
        assert_eq!(found, none, "{name} is built from it");
    }
    for (name, allowed) in OF_THE_STORE {
        let found = forbidden(&metadata, &member(name), allowed, &OF_THE_PROGRAM);
        assert_eq!(found, none, "{name} is built from it");
    }
    // The check can fail: the program does use these, and analysis the store.
    let found = forbidden(&metadata, "leverarm", "", &OF_THE_PROGRAM);
    for needed in ["tokio", "axum", "leverarm-protocol", "leverarm-live"] {
        assert!(found.iter().any(|it| it == needed), "{needed}: {found:?}");
    }
    let found = forbidden(&metadata, "leverarm-analysis", VALUES, &OF_FILES);
    for needed in ["leverarm-store", "leverarm-plot", "rusqlite"] {
        assert!(found.iter().any(|it| it == needed), "{needed}: {found:?}");
    }
    // Each crate is in one of the lists, and nothing is built from the program but tests.
    let listed = PURE.iter().chain(&OF_THE_STORE).map(|(name, _)| *name);
    let mut listed: BTreeSet<String> = listed.chain(["tests"]).map(member).collect();
    listed.insert("leverarm".to_owned());
    let members: BTreeSet<String> = metadata.members.keys().cloned().collect();
    assert_eq!(members, listed);
}

/// The modules of the crate in a folder, from its source.
fn modules_of(folder: &str) -> Modules {
    let source = Path::new(folder).join("src");
    let files: Vec<(String, String)> = rust_files()
        .iter()
        .filter_map(|file| {
            let inner = file.strip_prefix(&source).ok()?;
            Some((inner.to_str()?.to_owned(), text(file)?))
        })
        .collect();
    assert!(!files.is_empty(), "{folder}");
    Modules::read(files.iter().map(|(file, text)| (&**file, &**text)))
}

#[test]
fn modules_of_the_daemon_use_each_other_one_way() {
    let crates = PURE.iter().chain(&OF_THE_STORE);
    let folders = crates.map(|(name, _)| folder_of(name));
    let folders = folders.filter(|folder| folder.starts_with("daemon/"));
    let mut circles = Vec::new();
    for folder in folders.chain(["daemon".to_owned()]) {
        for (module, among) in &modules_of(&folder).uses() {
            if let Some(circle) = circle(among) {
                circles.push(format!("{folder}, in {module:?}: {circle:?}"));
            }
        }
    }
    assert!(circles.is_empty(), "{circles:#?}");
    // Uses are found.
    let uses = modules_of("daemon/analysis").uses();
    for (user, used) in [("comparison", "plan"), ("reduction", "replay")] {
        assert!(uses[&Vec::new()][user].contains(used), "{uses:#?}");
    }
}

#[test]
fn circles_of_modules_are_found() {
    let circle_of = |files: &[(&str, &str)]| {
        let uses = Modules::read(files.iter().copied()).uses();
        let found = uses.values().find_map(circle).unwrap_or_default();
        found.into_iter().map(str::to_owned).collect::<Vec<_>>()
    };
    let root = (
        "lib.rs",
        "mod a;\nmod b;\npub use b::{deep::Thing as It, Other};",
    );
    let back = ("b/mod.rs", "use crate::{a::X, c};\n");
    // By path, from deep inside, and through a name that the root takes from it.
    for way in [
        "use crate::b::Other;",
        "fn f() { crate::It::new() }",
        "use super::{Other};",
    ] {
        assert_eq!(circle_of(&[root, ("a.rs", way), back]), ["a", "b"], "{way}");
    }
    let inner = ("a/inner.rs", "use super::super::b::deep;");
    assert_eq!(
        circle_of(&[root, ("a/mod.rs", ""), inner, back]),
        ["a", "b"]
    );
    // Inside a module as well.
    let pair = [
        ("b/mod.rs", ""),
        ("b/one.rs", "use super::two::X;"),
        ("b/two.rs", "use super::one::X;"),
    ];
    assert_eq!(circle_of(&pair), ["one", "two"]);
    // One way is none, nor is a use by tests, nor a word in a comment.
    for way in ["use crate::b::Other;", "", "// crate::b::Other"] {
        let tests = ("b/mod.rs", "#[cfg(test)]\nmod tests { use crate::a::X; }");
        assert!(circle_of(&[root, ("a.rs", way), tests]).is_empty(), "{way}");
    }
}

#[test]
fn every_crate_has_the_licence_and_the_lints() {
    let metadata = Metadata::read();
    assert!(metadata.members.len() >= 6, "{:?}", metadata.members.keys());
    for (name, package) in &metadata.members {
        assert_eq!(package["license"], "MIT OR Apache-2.0", "{name}");
        let manifest = package["manifest_path"].as_str().unwrap();
        let manifest = std::fs::read_to_string(manifest).unwrap();
        assert!(manifest.contains("[lints]\nworkspace = true"), "{name}");
    }
    for file in ["LICENSE-MIT", "LICENSE-APACHE", "Cargo.lock"] {
        assert!(root().join(file).is_file(), "{file}");
    }
}

/// Licences under which a library may be in a program that is given away under ours.
const LICENCES: [&str; 10] = [
    "MIT",
    "Apache-2.0",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "ISC",
    "Zlib",
    "Unicode-3.0",
    "CC0-1.0",
    "Unlicense",
    // Its own files stay under it; ours need not be.
    "MPL-2.0",
];

/// Whether a licence expression (SPDX) can be met with these.
fn is_free(expression: &str) -> bool {
    let split = |word: &str| -> Vec<String> {
        let mut parts = vec![String::new()];
        let mut depth = 0;
        for part in expression.split_inclusive([' ', '(', ')']) {
            depth += part.matches('(').count();
            depth -= part.matches(')').count();
            if depth == 0 && part.trim() == word {
                parts.push(String::new());
            } else {
                parts.last_mut().unwrap().push_str(part);
            }
        }
        parts
    };
    let either = split("OR");
    if either.len() > 1 {
        return either.iter().any(|part| is_free(part));
    }
    let each = split("AND");
    if each.len() > 1 {
        return each.iter().all(|part| is_free(part));
    }
    let plain = expression.trim();
    let inner = plain.strip_prefix('(').and_then(|it| it.strip_suffix(')'));
    match inner {
        Some(inner) => is_free(inner),
        None => LICENCES.contains(&plain.trim_end_matches(" WITH LLVM-exception")),
    }
}

/// Whatever the workspace is built from and tested with.
#[test]
fn every_library_has_a_licence_that_goes_with_ours() {
    let refused: Vec<(String, String)> = Metadata::read()
        .licences
        .into_iter()
        .filter(|(_, licence)| !is_free(&licence.replace('/', " OR ")))
        .collect();
    assert_eq!(refused, []);
    for (expression, expected) in [
        ("MIT OR GPL-3.0-only", true),
        ("MIT AND GPL-3.0-only", false),
        ("(MIT OR GPL-3.0-only) AND Zlib", true),
        ("MIT OR Zlib AND GPL-3.0-only", true),
        ("", false),
    ] {
        assert_eq!(is_free(expression), expected, "{expression}");
    }
}

/// Files of the project: those that git knows, or all of them outside of what is built.
fn files() -> Vec<PathBuf> {
    let listed = run(
        "git",
        &[
            "ls-files",
            "-z",
            "--cached",
            "--others",
            "--exclude-standard",
        ],
    );
    if let Ok(listed) = listed {
        let names = listed.split('\0').filter(|name| !name.is_empty());
        return names
            .map(PathBuf::from)
            .filter(|f| root().join(f).is_file())
            .collect();
    }
    let mut files = Vec::new();
    let mut folders = vec![PathBuf::new()];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(root().join(&folder)).unwrap() {
            let entry = entry.unwrap();
            let name = entry.file_name().into_string().unwrap();
            let path = folder.join(&name);
            if entry.file_type().unwrap().is_file() {
                files.push(path);
            } else if !["target", ".git", "node_modules", "__pycache__"].contains(&name.as_str()) {
                folders.push(path);
            }
        }
    }
    files
}

/// Text of a file of the project; `None` for fonts, pictures and databases.
fn text(file: &Path) -> Option<String> {
    String::from_utf8(std::fs::read(root().join(file)).unwrap()).ok()
}

/// Asserts that none of the words is in a file, and says where it is if so.
fn assert_has_none(file: &Path, words: &[&str]) {
    let Some(text) = text(file) else {
        return;
    };
    for (number, line) in (1..).zip(text.lines()) {
        for word in words {
            assert!(
                !line.contains(word),
                "{}:{number}: {word:?} in {line:?}",
                file.display()
            );
        }
    }
}

fn rust_files() -> Vec<PathBuf> {
    let files = files();
    let rust: Vec<_> = files
        .into_iter()
        .filter(|file| file.extension().is_some_and(|ending| ending == "rs"))
        .collect();
    assert!(rust.len() > 50, "{rust:?}");
    rust
}

#[test]
fn one_module_reads_the_clock() {
    let clock = Path::new("daemon/src/clock.rs");
    // Put together here, so that this file does not hold them.
    let reads = [concat!("Instant::", "now"), concat!("SystemTime::", "now")];
    let found = text(clock).unwrap();
    assert!(reads.iter().all(|read| found.contains(read)), "{found}");
    for file in rust_files() {
        // Benches and the tools beside the tests measure how long things take.
        let measures = file.components().any(|part| part.as_os_str() == "benches")
            || file.starts_with("tests/src/bin");
        if file != clock && !measures {
            assert_has_none(&file, &reads);
        }
    }
}

#[test]
fn every_queue_is_bounded() {
    let unbounded = [
        concat!("unbounded", "_channel"),
        concat!("Unbounded", "Sender"),
        concat!("Unbounded", "Receiver"),
        concat!("mpsc", "::channel()"),
    ];
    for file in rust_files() {
        assert_has_none(&file, &unbounded);
    }
}

#[test]
fn pure_crates_touch_nothing_outside() {
    let outside = [
        "std::fs",
        "TcpListener",
        "TcpStream",
        "UdpSocket",
        "ToSocketAddrs",
        "std::thread",
        "std::process",
        "std::env",
        "std::os",
        "std::io",
        "std::time",
        "async fn",
    ];
    let mut pure = vec!["daemon/analysis/src/board_check".to_owned()];
    pure.extend(PURE.map(|(name, _)| format!("{}/src", folder_of(name))));
    let mut seen = 0;
    for file in rust_files() {
        if pure.iter().any(|folder| file.starts_with(folder)) {
            assert_has_none(&file, &outside);
            seen += 1;
        }
    }
    assert!(seen > 120, "{seen} files");
    let protocol = text(Path::new("protocol/src/lib.rs")).unwrap();
    assert!(protocol.contains("no_std"));
    for file in rust_files() {
        if file.starts_with("protocol/src") {
            assert_has_none(&file, &["extern crate alloc", "alloc::"]);
        }
    }
}

/// Sensors' laws are applied in one module; the simulated stand turns them round.
#[test]
fn counts_get_their_meaning_in_one_place() {
    let mut makers = Vec::new();
    for file in rust_files() {
        let is_daemon = file.starts_with("daemon") && !file.starts_with("daemon/src/rehearsal");
        if is_daemon && text(&file).is_some_and(|text| text.contains("law.si(")) {
            makers.push(file);
        }
    }
    assert_eq!(makers, [PathBuf::from("daemon/values/src/calibrated.rs")]);
}

/// A command reads its arguments, calls, and prints.
#[test]
fn commands_do_no_physics() {
    let physics = [
        "leverarm_filters",
        "regression",
        "calibration::coast",
        "turn_speeds",
        "fit_speed",
        "propagate(",
    ];
    let mut seen = 0;
    for file in rust_files() {
        if file.starts_with("daemon/src/commands") {
            assert_has_none(&file, &physics);
            seen += 1;
        }
    }
    assert!(seen > 25, "{seen} files");
}

#[test]
fn no_file_knows_where_it_was_made() {
    let own = root().display().to_string();
    let homes = [
        own.as_str(),
        concat!("/ho", "me/"),
        concat!("/ro", "ot/"),
        concat!("/Us", "ers/"),
        concat!("/wo", "rk/"),
        concat!("C:\\", "Users"),
    ];
    let registries = [
        concat!("crates", ".io"),
        concat!("pypi", ".org"),
        concat!("pythonhosted", ".org"),
        concat!("npmjs", ".org"),
        concat!("npmjs", ".com"),
        concat!("deb.", "debian.org"),
    ];
    let files = files();
    assert!(files.len() > 100, "{files:?}");
    for file in files {
        assert_has_none(&file, &homes);
        // The tools write the index of their registry into their lock files themselves.
        if !file.ends_with("Cargo.lock") && !file.ends_with("package-lock.json") {
            assert_has_none(&file, &registries);
        }
    }
}

/// The contributor's guide leads nowhere that is not there.
#[test]
fn files_that_the_guide_names_exist() {
    let guide = text(Path::new("DEVELOPERS.md")).unwrap();
    let (_, rest) = guide.split_once("## Where do I put").unwrap();
    let (table, _) = rest.split_once("## Tests and checks").unwrap();
    let rows = table.lines().filter(|line| line.starts_with("| "));
    let rows: Vec<&str> = rows.skip(1).collect();
    assert!(rows.len() >= 8, "{table}");
    let named = |text: &str| -> Vec<String> {
        let quoted = text.split('`').skip(1).step_by(2);
        quoted
            .filter(|it| it.contains('/'))
            .map(str::to_owned)
            .collect()
    };
    for row in rows {
        let files = named(row);
        assert!((2..=4).contains(&files.len()), "two to four files: {row}");
    }
    for file in named(&guide) {
        // Others are commands, or folders that a build makes.
        let is_ours = ["config/", "daemon/", "filters/", "protocol/", "torque/"]
            .iter()
            .any(|part| file.starts_with(part));
        if is_ours {
            assert!(root().join(&file).exists(), "DEVELOPERS.md: {file}");
        }
    }
}

/// A newcomer finds, for each public module of the libraries, an example that a test runs: in its
/// documentation, or as a program of its name.
#[test]
fn each_public_module_of_the_libraries_has_an_example() {
    let read = |file: PathBuf| std::fs::read_to_string(file).ok();
    let has_one = |text: &str| {
        let fences = text.lines().map(str::trim_start);
        // A drawing or a formula is fenced too, with a word behind.
        let opens = |line: &str| line == "//! ```" || line == "/// ```";
        let (all, plain) = fences.fold((0, 0), |(all, plain), line| {
            let is_fence = line.starts_with("//! ```") || line.starts_with("/// ```");
            (all + u32::from(is_fence), plain + u32::from(opens(line)))
        });
        2 * plain > all
    };
    let mut seen = 0;
    for library in ["protocol", "filters", "torque"] {
        let source = root().join(library).join("src");
        let mut waiting = vec![String::new()];
        while let Some(module) = waiting.pop() {
            let own = match module.as_str() {
                "" => read(source.join("lib.rs")),
                module => read(source.join(format!("{module}.rs")))
                    .or_else(|| read(source.join(module).join("mod.rs"))),
            };
            let own = own.unwrap();
            let inner = own.lines().filter_map(|line| line.strip_prefix("pub mod "));
            let inner = inner.map(|line| line.trim_end_matches(';'));
            let inner: Vec<String> = inner
                .map(|name| {
                    format!("{module}/{name}")
                        .trim_start_matches('/')
                        .to_owned()
                })
                .collect();
            let program = root().join(library).join(format!("examples/{module}.rs"));
            let is_list_only = module.is_empty() && !inner.is_empty();
            assert!(
                is_list_only || has_one(&own) || program.is_file(),
                "{library}: {module}"
            );
            waiting.extend(inner);
            seen += 1;
        }
    }
    assert!(seen > 20, "{seen}");
}
