//! How many points a second go from the store to a real time-series server, while a daemon acquires
//! from a simulated stand at the full rate of its line and streams to the same server.
//!
//! Needs the Debian package victoria-metrics (`tests/stream/run` installs it). Prints
//! `points_per_s=…`.

use std::error::Error;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use leverarm::clock::Clock;
use leverarm::rehearsal::{DEMO_STAND, Rehearsal, model_of, script_of};
use leverarm::service::{Belongs, Daemon, PageAccess, RecordKeeper, ServeOptions};
use leverarm::stream::{Feed, Range, Sender, Sent, send_all};
use leverarm_config::{Stand, StreamDestination};
use leverarm_live::{Core, Now, Output, Record};
use leverarm_software_stand::{SoftwareStand, StandModel};
use leverarm_store::{ChunkRange, Store, StoreReader};

/// Time that the prepared store holds.
const RECORDED_S: u64 = 600;
/// Points a second of each series.
const RATE: &str = "100 Hz";
const ATTEMPTS: u32 = 100;

type Outcome<T> = Result<T, Box<dyn Error>>;

/// A stand whose board fills most of its line: a wheel of many teeth and quick analog inputs.
fn full_rate(port: &str, server: u16) -> Outcome<(Stand, String, StandModel)> {
    let text = DEMO_STAND
        .replace("/dev/null", port)
        .replace("teeth = 8", "teeth = 360")
        + &format!(
            "\n[[stream]]\nname = \"bench\"\nkind = \"v2\"\nurl = \"http://127.0.0.1:{server}\"\n\
             bucket = \"bench\"\nrate = \"{RATE}\"\n"
        );
    let stand = leverarm_config::parse("bench.toml", &text)?;
    let mut model = model_of(&stand);
    model.analog_rate_hz = 500;
    Ok((stand, text, model))
}

/// Fills a store with what such a stand sends, in the stand's own time.
fn record(folder: &Path, stand: &Stand, text: &str, model: StandModel) -> Outcome<()> {
    let mut store = Store::open(folder)?;
    let belongs = Belongs::new(store.put_stand(text)?, store.put_calibration("{}")?);
    let mut keeper = RecordKeeper::new(belongs);
    let mut board = SoftwareStand::new(model, 1)?;
    board.ride(Some(script_of(stand, 1000)));
    let mut core = Core::new(stand.clone());
    let mut out = Output::default();
    let mut bytes = Vec::new();
    let at = |mono_us: u64| Now::new(mono_us, 1_795_600_000_000_000 + mono_us.cast_signed());
    core.port_opened(at(0), "bench", &mut out);
    for step in 1..RECORDED_S * 200 {
        let now = at(step * 5000);
        bytes.clear();
        board.advance(now.mono_us, &mut bytes);
        core.feed(now, &bytes, &mut out);
        core.tick(now, &mut out);
        board.receive(&out.write);
        out.write.clear();
        for record in out.records.drain(..) {
            // Raw bytes alone: pulls and events would be other points.
            if !matches!(
                record,
                Record::PullStarted { .. } | Record::PullEnded(_) | Record::Disconnected { .. }
            ) {
                keeper.keep(&mut store, &record)?;
            }
        }
    }
    Ok(())
}

/// The server, ended with this.
struct Server {
    process: Child,
    port: u16,
}

impl Server {
    fn start(folder: &Path) -> Outcome<Self> {
        let port = std::net::TcpListener::bind("127.0.0.1:0")?
            .local_addr()?
            .port();
        let process = Command::new("victoria-metrics")
            .arg(format!("-storageDataPath={}", folder.display()))
            .arg(format!("-httpListenAddr=127.0.0.1:{port}"))
            .args([
                "-retentionPeriod=100y",
                "-loggerLevel=WARN",
                "-dedup.minScrapeInterval=1ms",
            ])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .map_err(|error| format!("victoria-metrics: {error}; tests/stream/run installs it"))?;
        let server = Self { process, port };
        for _ in 0..ATTEMPTS {
            if std::net::TcpStream::connect(("127.0.0.1", port)).is_ok() {
                return Ok(server);
            }
            std::thread::sleep(Duration::from_millis(100));
        }
        Err("the server does not start".into())
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        // It may have ended by itself.
        drop(self.process.kill());
        drop(self.process.wait());
    }
}

async fn measure(
    recorded: &Path,
    stand: &Stand,
    destination: &StreamDestination,
) -> Outcome<(usize, f64)> {
    let reader = StoreReader::open(recorded)?;
    let range = Range::between(&reader, 0, i64::MAX)?;
    let feed = Feed::new(reader, destination.clone(), stand.clone(), range);
    let clock = Clock::start();
    let mut sender = Sender::new(destination.clone(), clock);
    let (mut points, mut away) = (0, None);
    let refused = send_all(feed, &mut sender, |sent| match sent {
        Sent::Batch(batch) => points += batch.lines.len(),
        Sent::Away(reason) => away = Some(reason.to_owned()),
    })
    .await?;
    let seconds = clock.now().mono_us as f64 * 1e-6;
    match (away, refused.first()) {
        (Some(reason), _) => Err(reason.into()),
        (_, Some(refused)) => Err(refused.reason.clone().into()),
        (None, None) => Ok((points, seconds)),
    }
}

#[expect(clippy::print_stdout, reason = "a benchmark prints")]
fn main() -> Outcome<()> {
    let folder = tempfile::tempdir()?;
    let server = Server::start(&folder.path().join("server"))?;
    let recorded = folder.path().join("recorded");
    let (stand, text, model) = full_rate("/dev/null", server.port)?;
    println!("recording {RECORDED_S} s of the stand's time");
    record(&recorded, &stand, &text, model.clone())?;

    let rehearsal = Rehearsal::start(model, 2)?;
    let (live, live_text, _) = full_rate(&rehearsal.path().display().to_string(), server.port)?;
    let live_store = folder.path().join("live");
    rehearsal.ride(script_of(&live, 1000))?;
    let destination = live
        .streams
        .first()
        .ok_or("the stand has no stream")?
        .clone();
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()?;
    let (points, seconds, acquired) = runtime.block_on(async {
        let daemon = Daemon::start(ServeOptions {
            stand: live.clone(),
            stand_text: live_text,
            store_folder: live_store.clone(),
            page_address: None,
            page_access: PageAccess::default(),
        })
        .await?;
        // The engine is up to speed after some seconds.
        tokio::time::sleep(Duration::from_secs(6)).await;
        let (points, seconds) = measure(&recorded, &stand, &destination).await?;
        let acquired = daemon.handle().live().borrow().clone();
        daemon.stop().await?;
        Ok::<_, Box<dyn Error>>((points, seconds, acquired))
    })?;

    let reader = StoreReader::open(&live_store)?;
    let mut bytes = 0;
    for connection in reader.connections()? {
        let chunks = reader.chunks(connection.id, &ChunkRange::All)?;
        bytes += chunks
            .iter()
            .flatten()
            .map(|chunk| chunk.bytes.len())
            .sum::<usize>();
    }
    println!(
        "acquired meanwhile: {bytes} bytes stored, {} frames lost, {} damaged",
        acquired.frames_lost, acquired.damaged
    );
    println!("sent {points} points in {seconds:.2} s");
    println!("points_per_s={:.0}", points as f64 / seconds);
    Ok(())
}
