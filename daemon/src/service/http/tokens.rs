//! Tokens that the daemon made: in a file of its user's, for it is the one place that neither a log
//! nor a list of processes shows.

use std::net::{IpAddr, SocketAddr};
use std::path::{Path, PathBuf};

use super::access::{PageAccess, PageTokens};
use leverarm_store::files;

const TOKENS_FILE: &str = "tokens";
const CONTROL: &str = "control";
const READ: &str = "read";

/// Writes those of the tokens in force that nobody chose, with links to the page; an older file goes.
/// Gives the file, if there is any.
pub(in crate::service) fn write(
    store: &Path,
    address: SocketAddr,
    wanted: &PageAccess,
    tokens: Option<&PageTokens>,
) -> std::io::Result<Option<PathBuf>> {
    let file = store.join(TOKENS_FILE);
    let mut text = String::new();
    if let Some(tokens) = tokens {
        for (name, chosen, token, what) in [
            (
                CONTROL,
                &wanted.control_token,
                &tokens.control,
                "to control the stand",
            ),
            (
                READ,
                &wanted.read_token,
                &tokens.read,
                "to look, and to cut",
            ),
        ] {
            if chosen.is_none() {
                text.push_str(&format!("# {what}\n{name} {token}\n"));
                for host in hosts(address.ip()) {
                    let address = SocketAddr::new(host, address.port());
                    text.push_str(&format!("# http://{address}/#token={token}\n"));
                }
            }
        }
    }
    if text.is_empty() {
        return match std::fs::remove_file(&file) {
            Err(error) if error.kind() != std::io::ErrorKind::NotFound => Err(error),
            _ => Ok(None),
        };
    }
    files::write_own(&file, text.as_bytes())?;
    Ok(Some(file))
}

/// The token in a file: the control token in one that the daemon wrote, else all that it holds.
///
/// # Errors
/// When it can't be read.
pub fn read_token_file(file: &Path) -> std::io::Result<String> {
    let text = std::fs::read_to_string(file)?;
    let named = |name: &str| {
        text.lines()
            .find_map(|line| line.strip_prefix(name)?.strip_prefix(' '))
    };
    let token = named(CONTROL).or_else(|| named(READ)).unwrap_or(&text);
    Ok(token.trim().to_owned())
}

/// The token that the daemon on this store made, for a user who may read it.
#[must_use]
pub fn token_of_store(store: &Path) -> Option<String> {
    read_token_file(&store.join(TOKENS_FILE)).ok()
}

/// Addresses at which others find this machine when the page listens on all of them.
fn hosts(address: IpAddr) -> Vec<IpAddr> {
    if !address.is_unspecified() {
        return vec![address];
    }
    let interfaces = nix::ifaddrs::getifaddrs().into_iter().flatten();
    let found: Vec<IpAddr> = interfaces
        .filter_map(|interface| Some(interface.address?.as_sockaddr_in()?.ip().into()))
        .filter(|ip: &IpAddr| !ip.is_loopback())
        .collect();
    if found.is_empty() {
        vec![std::net::Ipv4Addr::LOCALHOST.into()]
    } else {
        found
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_nobody_chose_is_written_and_the_command_line_finds_it() {
        let folder = tempfile::tempdir().unwrap();
        let store = folder.path();
        let address = "127.0.0.1:7340".parse().unwrap();
        let tokens = PageTokens {
            control: "c".repeat(16),
            read: "r".repeat(16),
        };
        let none = PageAccess::default();
        let file = write(store, address, &none, Some(&tokens))
            .unwrap()
            .unwrap();
        assert_eq!(token_of_store(store), Some(tokens.control.clone()));
        let chosen = PageAccess {
            control_token: Some(tokens.control.clone()),
            ..none.clone()
        };
        write(store, address, &chosen, Some(&tokens))
            .unwrap()
            .unwrap();
        let text = std::fs::read_to_string(&file).unwrap();
        assert!(!text.contains(&tokens.control) && text.contains(&tokens.read));
        assert_eq!(token_of_store(store), Some(tokens.read.clone()));
        assert_eq!(write(store, address, &none, None).unwrap(), None);
        assert_eq!(token_of_store(store), None);
        std::fs::write(&file, "of a person\n").unwrap();
        assert_eq!(read_token_file(&file).unwrap(), "of a person");
    }
}
