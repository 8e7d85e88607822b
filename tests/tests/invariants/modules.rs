//! Which module of a crate uses which, read from the paths in its source, and circles among them.

use std::collections::{BTreeMap, BTreeSet};

/// Path of a module in its crate; the root's is empty.
type Module = Vec<String>;

/// The modules of one crate.
#[derive(Default)]
pub(crate) struct Modules {
    tokens: BTreeMap<Module, Vec<String>>,
    /// Names that a module takes from those in it, and of which.
    taken: BTreeMap<Module, BTreeMap<String, Module>>,
}

/// Uses among the modules that lie in the same one, by that one.
pub(crate) type Uses = BTreeMap<Module, BTreeMap<String, BTreeSet<String>>>;

impl Modules {
    /// Takes files, each with its path in the folder `src`. Unit tests at the end of a file are left out:
    /// they may use what they like.
    pub(crate) fn read<'a>(files: impl IntoIterator<Item = (&'a str, &'a str)>) -> Self {
        let mut modules = Self::default();
        for (file, text) in files {
            let mut path: Module = file
                .trim_end_matches(".rs")
                .split('/')
                .map(str::to_owned)
                .collect();
            if ["mod", "lib", "main"].contains(&path.last().unwrap().as_str()) {
                path.pop();
            }
            let text = text.split("#[cfg(test)]\nmod tests").next().unwrap();
            modules.tokens.entry(path).or_default().extend(tokens(text));
        }
        for (module, tokens) in &modules.tokens {
            let mut taken = BTreeMap::new();
            for path in paths(tokens, |word, before| {
                before == "use" && modules.has(&child(module, word))
            }) {
                let (name, of) = (path.last().unwrap(), child(module, &path[0]));
                taken.insert(name.clone(), of);
            }
            modules.taken.insert(module.clone(), taken);
        }
        modules
    }

    fn has(&self, module: &Module) -> bool {
        self.tokens.contains_key(module)
    }

    /// The module that a path leads to.
    fn target(&self, from: &Module, path: &[String]) -> Module {
        let mut at = if path[0] == "crate" {
            Vec::new()
        } else {
            from.clone()
        };
        for word in path {
            let inner = child(&at, word);
            if word == "super" {
                at.pop();
            } else if self.has(&inner) {
                at = inner;
            } else if let Some(of) = self.taken.get(&at).and_then(|taken| taken.get(word)) {
                return of.clone();
            } else if word != "crate" && word != "self" {
                break;
            }
        }
        at
    }

    pub(crate) fn uses(&self) -> Uses {
        let mut uses = Uses::new();
        for (from, tokens) in &self.tokens {
            for path in paths(tokens, |word, _| ["crate", "super", "self"].contains(&word)) {
                let to = self.target(from, &path);
                let shared = from.iter().zip(&to).take_while(|(a, b)| a == b).count();
                if let (Some(user), Some(used)) = (from.get(shared), to.get(shared)) {
                    let among = uses.entry(from[..shared].to_vec()).or_default();
                    among.entry(user.clone()).or_default().insert(used.clone());
                }
            }
        }
        uses
    }
}

/// A circle among modules that lie in the same one, if there is any: each uses the next.
pub(crate) fn circle(among: &BTreeMap<String, BTreeSet<String>>) -> Option<Vec<&str>> {
    let mut clear = BTreeSet::new();
    among
        .keys()
        .find_map(|from| circle_from(among, from, &mut Vec::new(), &mut clear))
}

fn circle_from<'a>(
    among: &'a BTreeMap<String, BTreeSet<String>>,
    at: &'a str,
    way: &mut Vec<&'a str>,
    clear: &mut BTreeSet<&'a str>,
) -> Option<Vec<&'a str>> {
    if let Some(start) = way.iter().position(|before| *before == at) {
        return Some(way[start..].to_vec());
    }
    if clear.contains(at) {
        return None;
    }
    way.push(at);
    let found = among
        .get(at)
        .into_iter()
        .flatten()
        .find_map(|next| circle_from(among, next, way, clear));
    way.pop();
    clear.insert(at);
    found
}

fn child(module: &Module, name: &str) -> Module {
    let mut path = module.clone();
    path.push(name.to_owned());
    path
}

/// Words, `::`, and single signs; no comments and no blanks.
fn tokens(text: &str) -> Vec<String> {
    let mut found = Vec::new();
    for line in text.lines() {
        let line = line.split("//").next().unwrap();
        let mut rest = line.trim_start();
        while let Some(first) = rest.chars().next() {
            let is_word = |c: char| c.is_alphanumeric() || c == '_';
            let len = if is_word(first) {
                rest.find(|c| !is_word(c)).unwrap_or(rest.len())
            } else if rest.starts_with("::") {
                2
            } else {
                first.len_utf8()
            };
            let (token, after) = rest.split_at(len);
            found.push(token.to_owned());
            rest = after.trim_start();
        }
    }
    found
}

/// Every path whose first word is wanted, given the word before it; groups are taken apart. The last
/// word is the name it is known by from then on.
fn paths(tokens: &[String], is_wanted: impl Fn(&str, &str) -> bool) -> Vec<Vec<String>> {
    let mut found = Vec::new();
    let mut before = "";
    for (at, token) in tokens.iter().enumerate() {
        let is_inside = before == "::";
        let is_path = tokens.get(at + 1).is_some_and(|next| next == "::");
        if is_path && !is_inside && is_wanted(token, before) {
            branches(&tokens[at..], &mut Vec::new(), &mut found);
        }
        before = token;
    }
    found
}

/// Takes one branch of a path, and gives back how many tokens it has.
fn branches(tokens: &[String], before: &mut Vec<String>, found: &mut Vec<Vec<String>>) -> usize {
    let depth = before.len();
    let mut at = 0;
    loop {
        match tokens.get(at).map(String::as_str) {
            Some("{") => {
                at += 1;
                while tokens.get(at).is_some_and(|token| token != "}") {
                    at += branches(&tokens[at..], before, found);
                    at += usize::from(tokens.get(at).is_some_and(|token| token == ","));
                }
                at += 1;
                break;
            }
            Some(word) => {
                before.push(word.to_owned());
                at += 1;
            }
            None => break,
        }
        if tokens.get(at).is_none_or(|next| next != "::") {
            if tokens.get(at).is_some_and(|next| next == "as") {
                let name = tokens.get(at + 1).cloned().unwrap_or_default();
                before.push(name);
                at += 2;
            }
            found.push(before.clone());
            break;
        }
        at += 1;
    }
    before.truncate(depth);
    at
}
