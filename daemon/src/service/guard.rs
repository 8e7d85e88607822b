//! The guard thread: port → core → port, on a runtime of its own, so that nothing else can delay a
//! cut.

use std::os::unix::fs::{FileTypeExt, MetadataExt};
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use leverarm_config::Stand;
use nix::unistd::{AccessFlags, Gid, Group, access};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::sync::{mpsc, oneshot, watch};
use tokio_serial::{SerialPortBuilderExt, SerialStream};

use super::recorder::Records;
use super::{Asked, ServeError};
use crate::clock::Clock;
use leverarm_live::{Arming, Core, CutLatch, Live, Output};
use leverarm_values::CalibratedStand;

/// Live values go out so often.
const LIVE_EVERY_US: u64 = 33_333;
const REOPEN_MS: [u64; 5] = [100, 200, 400, 800, 1000];
const READ_BYTES: usize = 4096;
/// Cuts obeyed in one go; between them the port has its turn.
const CUTS_AT_ONCE: usize = 64;
/// A daemon that stops waits so long for the board to confirm its cut.
const LAST_CUT_US: u64 = 500_000;

/// Why a port can't be used.
#[derive(Debug, thiserror::Error)]
pub enum PortError {
    /// There is no such device.
    #[error(
        "{path}: there is no such port; is the board plugged in? `ls /dev/serial/by-id` shows what is (key port.path, or --port)"
    )]
    Missing {
        /// Path of the port.
        path: String,
    },
    /// The user may not open it.
    #[error("{path}: this user may not open the port; {way}")]
    Forbidden {
        /// Path of the port.
        path: String,
        /// What would let them.
        way: String,
    },
    /// Another program has it.
    #[error(
        "{path}: another program has the port open; two daemons can't share a board: stop the other one"
    )]
    Busy {
        /// Path of the port.
        path: String,
    },
    /// It is a file, or another kind of device.
    #[error(
        "{path}: this is not a serial port; name the board's, as `ls /dev/serial/by-id` shows it (key port.path, or --port)"
    )]
    NotAPort {
        /// Path of the port.
        path: String,
    },
    /// Anything else.
    #[error("{path}")]
    Other {
        /// Path of the port.
        path: String,
        /// What the system said.
        #[source]
        cause: tokio_serial::Error,
    },
}

/// What lets a person open a port that its group may open, and what when only its owner may.
fn way_to(path: &Path) -> String {
    const READ_AND_WRITE_BY_GROUP: u32 = 0o060;
    let Ok(port) = std::fs::metadata(path) else {
        return "its rights can't be read either".to_owned();
    };
    let group = Group::from_gid(Gid::from_raw(port.gid())).ok().flatten();
    let name = group.map_or_else(|| port.gid().to_string(), |group| group.name);
    if port.mode() & READ_AND_WRITE_BY_GROUP == READ_AND_WRITE_BY_GROUP {
        format!("its group {name} may: `sudo usermod -aG {name} $USER`, then log out and in again")
    } else {
        "its owner alone may: the udev rule packaging/60-leverarm.rules gives boards to a group"
            .to_owned()
    }
}

/// What can be said of a port without opening it: many a board restarts when that is done.
pub(super) fn look_at(path: &Path) -> Result<(), PortError> {
    let shown = path.display().to_string();
    let Ok(found) = std::fs::metadata(path) else {
        return Err(PortError::Missing { path: shown });
    };
    if !found.file_type().is_char_device() {
        return Err(PortError::NotAPort { path: shown });
    }
    if access(path, AccessFlags::R_OK | AccessFlags::W_OK).is_err() {
        let way = way_to(path);
        return Err(PortError::Forbidden { path: shown, way });
    }
    Ok(())
}

pub(crate) fn open(path: &Path, baud: u32) -> Result<SerialStream, PortError> {
    let shown = path.display().to_string();
    // The library's own message for a port held by another program is misleading, so look first.
    look_at(path)?;
    tokio_serial::new(path.to_string_lossy(), baud)
        .open_native_async()
        .map_err(|error| {
            let lower = error.to_string().to_lowercase();
            if lower.contains("permission") {
                let way = way_to(path);
                PortError::Forbidden { path: shown, way }
            } else if lower.contains("busy")
                || matches!(error.kind, tokio_serial::ErrorKind::NoDevice)
            {
                PortError::Busy { path: shown }
            } else if lower.contains("typewriter") || lower.contains("inappropriate ioctl") {
                PortError::NotAPort { path: shown }
            } else {
                PortError::Other {
                    path: shown,
                    cause: error,
                }
            }
        })
}

/// What the guard thread owns.
pub(super) struct GuardThread {
    pub(super) stand: Stand,
    pub(super) arming: Arming,
    pub(super) clock: Clock,
    pub(super) asked: mpsc::Receiver<Asked>,
    pub(super) asked_to_cut: mpsc::Receiver<Asked>,
    pub(super) records: Records,
    pub(super) live: watch::Sender<Arc<Live>>,
    pub(super) model: watch::Receiver<Arc<CalibratedStand>>,
    pub(super) stop: watch::Receiver<bool>,
}

/// Starts the thread and waits until the port is open for the first time: a wrong path is an error
/// of the start, a port that vanishes later is not.
pub(super) async fn start(guard: GuardThread) -> Result<std::thread::JoinHandle<()>, ServeError> {
    let (opened, first) = oneshot::channel();
    let thread = std::thread::Builder::new()
        .name("guard".to_owned())
        .spawn(move || {
            if guard.stand.port.real_time {
                super::real_time::ask();
            }
            let runtime = tokio::runtime::Builder::new_current_thread()
                .enable_all()
                .build();
            match runtime {
                Ok(runtime) => runtime.block_on(guard.run(opened)),
                Err(error) => tracing::error!(%error, "the guard thread has no runtime"),
            }
        })
        .map_err(ServeError::not_started("the guard thread"))?;
    match first.await {
        Ok(Ok(())) => Ok(thread),
        Ok(Err(error)) => Err(error.into()),
        Err(_closed) => Err(ServeError::Thread(
            "the guard thread ended at once".to_owned(),
        )),
    }
}

impl GuardThread {
    async fn run(mut self, opened: oneshot::Sender<Result<(), PortError>>) {
        let mut core = Core::new(self.stand.clone()).with_arming(self.arming);
        self.model.mark_changed();
        let mut out = Output::default();
        let path = self.stand.port.path.clone();
        let mut port = match open(&path, self.stand.port.baud) {
            Ok(port) => {
                drop(opened.send(Ok(())));
                Some(port)
            }
            Err(error) => {
                drop(opened.send(Err(error)));
                return;
            }
        };
        core.port_opened(self.clock.now(), &path.to_string_lossy(), &mut out);
        let mut buffer = vec![0; READ_BYTES];
        let mut live_due_us = 0;
        let mut attempt = 0;
        let mut reopen_due_us = 0;
        let mut listening = true;
        let mut stopping_us = None;
        loop {
            self.cuts(&mut core, &mut out);
            if let Some(open_port) = &mut port
                && let Err(reason) = write(open_port, &mut out.write).await
            {
                port = None;
                core.port_lost(self.clock.now(), &reason, &mut out);
            }
            out.write.clear();
            self.records.give(&mut out.records);
            let now = self.clock.now();
            core.store_keeps_up(self.records.keeps_up(now.mono_us), now, &mut out);
            if self.model.has_changed().unwrap_or(false) {
                core.calibrated(Arc::clone(&self.model.borrow_and_update()));
            }
            if now.mono_us >= live_due_us {
                self.live.send_replace(Arc::new(core.live(now)));
                // By the clock, not by the loop, so that small delays do not add up.
                live_due_us = (live_due_us + LIVE_EVERY_US).max(now.mono_us);
            }
            if port.is_none() && now.mono_us >= reopen_due_us {
                match open(&path, self.stand.port.baud) {
                    Ok(found) => {
                        port = Some(found);
                        attempt = 0;
                        core.port_opened(now, &path.to_string_lossy(), &mut out);
                        continue;
                    }
                    Err(error) => {
                        tracing::debug!(%error, "the port does not open yet");
                        let wait_ms = REOPEN_MS[attempt.min(REOPEN_MS.len() - 1)];
                        attempt += 1;
                        reopen_due_us = now.mono_us + wait_ms * 1000;
                    }
                }
            }
            if let Some(since_us) = stopping_us {
                let is_cut = core.cut_view().latch == CutLatch::Confirmed;
                if is_cut || port.is_none() || now.mono_us > since_us + LAST_CUT_US {
                    break;
                }
            }
            let wake_us = core.wake_us().min(live_due_us).saturating_sub(now.mono_us);
            tokio::select! {
                biased;
                read = read(&mut port, &mut buffer) => match read {
                    Ok(bytes) => core.feed(self.clock.now(), &buffer[..bytes], &mut out),
                    Err(reason) => {
                        port = None;
                        reopen_due_us = 0;
                        core.port_lost(self.clock.now(), &reason, &mut out);
                    }
                },
                asked = self.asked_to_cut.recv(), if listening => match asked {
                    Some(asked) => self.obey(&mut core, vec![asked], &mut out),
                    None => listening = false,
                },
                asked = self.asked.recv(), if listening => match asked {
                    Some(asked) => self.obey(&mut core, vec![asked], &mut out),
                    None => listening = false,
                },
                _ = self.stop.changed(), if stopping_us.is_none() => {
                    let now = self.clock.now();
                    core.cut_at_stop(now, &mut out);
                    stopping_us = Some(now.mono_us);
                }
                () = tokio::time::sleep(Duration::from_micros(wake_us)) => {}
            }
            let now = self.clock.now();
            if now.mono_us >= core.wake_us() {
                core.tick(now, &mut out);
            }
        }
        core.shut_down(self.clock.now(), &mut out);
        self.records.give(&mut out.records);
        self.records.finish();
    }

    /// Cuts that persons ask for wait for nothing, however many other commands there are.
    fn cuts(&mut self, core: &mut Core, out: &mut Output) {
        let cuts: Vec<Asked> = std::iter::from_fn(|| self.asked_to_cut.try_recv().ok())
            .take(CUTS_AT_ONCE)
            .collect();
        if !cuts.is_empty() {
            self.obey(core, cuts, out);
        }
    }

    fn obey(&self, core: &mut Core, asked: Vec<Asked>, out: &mut Output) {
        let now = self.clock.now();
        let obeyed: Vec<_> = asked
            .into_iter()
            .map(|(command, answer)| (core.command(now, &command, out), answer))
            .collect();
        // Whoever has the answer finds its effect in the live values.
        self.live.send_replace(Arc::new(core.live(now)));
        for (outcome, answer) in obeyed {
            drop(answer.send(outcome));
        }
    }
}

async fn read(port: &mut Option<SerialStream>, buffer: &mut [u8]) -> Result<usize, String> {
    let Some(port) = port else {
        // Nothing to read from: the other branches go on.
        return std::future::pending().await;
    };
    match port.read(buffer).await {
        // A closed port reads as empty, at once and for ever.
        Ok(0) => Err("the other end closed it".to_owned()),
        Ok(bytes) => Ok(bytes),
        Err(error) => Err(error.to_string()),
    }
}

/// Longest time that bytes for the board may take: a board that takes none is gone.
const WRITE_TIMEOUT: Duration = Duration::from_millis(200);

async fn write(port: &mut SerialStream, bytes: &mut [u8]) -> Result<(), String> {
    if bytes.is_empty() {
        return Ok(());
    }
    match tokio::time::timeout(WRITE_TIMEOUT, port.write_all(bytes)).await {
        Ok(Ok(())) => Ok(()),
        Ok(Err(error)) => Err(error.to_string()),
        Err(_elapsed) => Err("it takes no bytes".to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_port_without_rights_names_its_group_and_the_command() {
        use std::os::unix::fs::PermissionsExt;
        let port = tempfile::NamedTempFile::new().unwrap();
        let gid = Gid::from_raw(port.as_file().metadata().unwrap().gid());
        let group = Group::from_gid(gid).unwrap().unwrap().name;
        let rights = |mode| std::fs::Permissions::from_mode(mode);
        port.as_file().set_permissions(rights(0o660)).unwrap();
        let way = way_to(port.path());
        assert!(
            way.contains(&format!("sudo usermod -aG {group} $USER")),
            "{way}"
        );
        port.as_file().set_permissions(rights(0o600)).unwrap();
        assert!(way_to(port.path()).contains("its owner alone"));
    }

    #[test]
    fn a_port_is_looked_at_before_it_is_opened() {
        assert!(matches!(
            look_at(Path::new("/no/such")),
            Err(PortError::Missing { .. })
        ));
        let file = tempfile::NamedTempFile::new().unwrap();
        assert!(matches!(
            look_at(file.path()),
            Err(PortError::NotAPort { .. })
        ));
        assert!(look_at(Path::new("/dev/null")).is_ok());
    }
}
