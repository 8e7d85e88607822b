//! Live values, for people: what the page and the terminal show. They may be dropped.

use leverarm_config::{ChannelId, Shaft, Signal, StandKind};
use leverarm_protocol::Counters;
use leverarm_torque::curve::{COVERAGE_95, RAD_PER_S_PER_RPM};
use leverarm_torque::uncertainty::Measured;
use serde::Serialize;

use super::load::LoadLive;
use super::{Core, CutLatch, CutView, Now, cut, still_driven};

/// Where the stand is on its way through a pull.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum PullPhase {
    /// Nothing turns.
    #[default]
    Idle,
    /// The engine turns: a pull may begin.
    Ready,
    /// It speeds up above the start speed, not long enough yet to be called a pull.
    Rising,
    /// Under way.
    Pulling,
    /// Over, still recording the coast-down.
    Coasting,
}

/// A channel as it is now.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct ChannelLive {
    /// Its name.
    pub name: String,
    /// Its value in the unit shown, where it is believable.
    pub value: Option<f64>,
    /// The unit shown.
    pub unit: String,
    /// Its value in SI, where it is believable.
    pub value_si: Option<f64>,
    /// Why it is not believable.
    pub lost: Option<String>,
    /// Age of the newest sample, ms.
    pub age_ms: Option<f64>,
}

/// A guard as it is now.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct GuardLive {
    /// Its name.
    pub name: String,
    /// Whether it cuts; otherwise it warns.
    pub cuts: bool,
    /// Whether its limit is passed.
    pub tripped: bool,
    /// Whether it looks at its value now: some do only during a pull.
    pub watching: bool,
    /// How near the value is to the limit: 0 far, 1 at it; none while it does not watch.
    pub nearness: Option<f64>,
    /// What it looks at, SI.
    pub value_si: Option<f64>,
    /// Its limit, SI.
    pub limit_si: Option<f64>,
}

/// One look at the stand.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Live {
    /// When, on the daemon's monotonic clock.
    pub mono_us: u64,
    /// When, microseconds since 1970.
    pub wall_us: i64,
    /// Whether a port is open and a board has said hello on it.
    pub connected: bool,
    /// Whether the board says that it is simulated: a rehearsal. None while no board is known.
    pub simulated: Option<bool>,
    /// Whether the daemon is fit to guard: its heartbeat goes out.
    pub fit: bool,
    /// Speed of the drum.
    pub drum_rpm: Option<f64>,
    /// Speed of the engine.
    pub engine_rpm: Option<f64>,
    /// Torque at the crank, uncorrected, from what is past alone: for watching, not for judging.
    pub torque_nm: Option<f64>,
    /// Half width of its 95 % interval, of timing, cycles, inertia, losses and load cell.
    pub torque_expanded_uncertainty_nm: Option<f64>,
    /// Power at the crank, likewise.
    pub power_w: Option<f64>,
    /// Force on the load cell.
    pub force_n: Option<f64>,
    /// Something that needs a person at once, in words: a stand that is driven though it is cut, a
    /// cut that the board does not confirm.
    pub alarm: Option<String>,
    /// Age of the newest frame from the board, ms: since it was heard, and its delay.
    pub board_age_ms: Option<f64>,
    /// How much later than the quickest frame of the connection the newest came, ms.
    pub board_delay_ms: Option<f64>,
    /// Channels, in the order of the stand file.
    pub channels: Vec<ChannelLive>,
    /// Guards, in the order of the stand file.
    pub guards: Vec<GuardLive>,
    /// The load, on a stand whose absorber the board commands.
    pub load: Option<LoadLive>,
    /// The cut.
    pub cut: CutView,
    /// Where in a pull.
    pub phase: PullPhase,
    /// What the stand waits for, in words.
    pub waiting_for: String,
    /// What the self-test of the guards that is under way waits for.
    pub self_test: Option<String>,
    /// Bytes received since the daemon started.
    pub bytes_received: u64,
    /// Frames lost since the daemon started.
    pub frames_lost: u64,
    /// Damaged frames since the daemon started.
    pub damaged: u64,
    /// All counts of the link since the daemon started.
    #[serde(skip)]
    pub counters: Counters,
}

/// So far above the start speed nobody is about to begin a pull.
const WELL_ABOVE: f64 = 1.15;
/// A speed that no mark confirmed for so long has no torque.
const MOTION_AGE_S_MAX: f64 = 0.5;

pub(super) fn snapshot(core: &Core, now: Now) -> Live {
    let signals = &core.signals;
    let stand = &core.stand;
    let rpm = |shaft| {
        signals
            .speed_now(shaft, now.mono_us)
            .map(|w| w / RAD_PER_S_PER_RPM)
    };
    let link = core.link.as_ref();
    let hello = link.and_then(|link| link.hello.as_ref());
    let connected = hello.is_some();
    let engine_rpm = rpm(Shaft::Engine);
    let (torque_nm, torque_u_nm) = torque(core).unzip();
    let counters = core.counters();
    let channels = stand.channels.iter().enumerate().map(|(index, channel)| {
        let signal = Signal::Channel(ChannelId(index));
        let unit = channel.quantity.display_unit(&stand.units);
        let value = signals.value_now(signal, now.mono_us);
        let value_si = value.good();
        ChannelLive {
            name: channel.name.clone(),
            value: value_si.map(|si| unit.number(si)),
            unit: unit.symbol.to_owned(),
            value_si,
            lost: value.lost(channel, &stand.units),
            age_ms: signals.age_ms(signal, now.mono_us),
        }
    });
    Live {
        mono_us: now.mono_us,
        wall_us: now.wall_us,
        connected,
        simulated: hello.map(|hello| hello.is_simulated),
        fit: core.fit,
        drum_rpm: rpm(Shaft::Drum),
        engine_rpm,
        torque_nm,
        torque_expanded_uncertainty_nm: torque_u_nm.flatten().map(|u| COVERAGE_95 * u),
        power_w: torque_nm
            .zip(engine_rpm)
            .map(|(t, rpm)| t * rpm * RAD_PER_S_PER_RPM),
        force_n: signals.value(Signal::LoadCell).si(),
        alarm: alarm(core, now),
        board_age_ms: signals.age_ms(Signal::Board, now.mono_us),
        board_delay_ms: link
            .filter(|_| connected)
            .map(|link| link.delay.us() as f64 * 1e-3),
        channels: channels.collect(),
        guards: core.guards.live(core.pulls.pulls()),
        load: core.load.live(now),
        cut: core.cut.view(),
        phase: core.pulls.phase(),
        waiting_for: waiting_for(core, connected, now),
        self_test: core.self_test_waits_for(),
        bytes_received: counters.bytes_received,
        frames_lost: counters.frames_lost,
        damaged: counters.frames_damaged(),
        counters,
    }
}

/// What a person has to do at once.
fn alarm(core: &Core, now: Now) -> Option<String> {
    let driven = core.still_driven.driven().map(still_driven::Driven::text);
    let unheard = core.cut.is_unheard(now).then(|| cut::UNHEARD.to_owned());
    driven.or(unheard)
}

/// Torque at the crank with its standard uncertainty, from the newest motion that teeth and model tell,
/// or from the load cell.
///
/// Until the model knows enough, and where it lags too far behind the marks, from the last whole turns,
/// without an uncertainty.
fn torque(core: &Core) -> Option<(f64, Option<f64>)> {
    let model = core.of.model();
    let ratio = model.engine_per_drum.value();
    let mark = core.signals.motion()?;
    let link = core.link.as_ref()?;
    let age_s =
        |tick: u64| link.tick_newest.saturating_sub(tick) as f64 / core.signals.tick_hz().max(1.0);
    let newest = mark.newest.filter(|it| age_s(it.tick) <= MOTION_AGE_S_MAX);
    if newest.is_none() && age_s(mark.tick) > MOTION_AGE_S_MAX {
        return None;
    }
    let motion = newest.map(|newest| newest.motion);
    // Marks come with the stand file's ratio.
    let per_drum = core.stand.drive.engine_per_drum.value;
    let drum_omega = motion.map_or(mark.engine_rad_per_s, |it| it.omega_rad_per_s) / per_drum;
    let drum_alpha = motion.map_or(mark.engine_rad_per_s2, |it| it.alpha_rad_per_s2) / per_drum;
    // As in the reduction: the torque that speeds up the crank's own parts is the engine's too.
    let (inertia, engine_inertia) = match (core.stand.kind, &model.drum_inertia_kg_m2) {
        (StandKind::Inertia | StandKind::Both, Some(drum)) => {
            (drum.measured, model.engine_inertia_kg_m2.value())
        }
        _ => (Measured::exact(0.0), 0.0),
    };
    let held = model.load_cell.as_ref().and_then(|cell| {
        let newton = core.signals.value(Signal::LoadCell).si()?;
        let relative = cell.arm_m.measured.relative_standard_uncertainty().hypot(
            cell.newton_per_count
                .measured
                .relative_standard_uncertainty(),
        );
        let nm = newton * cell.arm_m.value();
        Some((cell.on_engine, Measured::new(nm, (nm * relative).abs())))
    });
    let through_drum = (inertia.value * drum_alpha + model.losses.torque_nm(drum_omega)) / ratio
        + engine_inertia * drum_alpha * ratio;
    let through_drum_u = motion.map(|motion| {
        let alpha_u = motion.alpha_uncertainty_rad_per_s2 / per_drum;
        let of_alpha = (inertia.value / ratio + engine_inertia * ratio) * alpha_u;
        let of_inertia = inertia.standard_uncertainty * drum_alpha / ratio;
        let of_losses = model.losses.standard_uncertainty_nm(drum_omega) / ratio;
        of_alpha.hypot(of_inertia).hypot(of_losses)
    });
    Some(match held {
        Some((true, nm)) => (nm.value, Some(nm.standard_uncertainty)),
        Some((false, nm)) => (
            nm.value / ratio + through_drum,
            through_drum_u.map(|u| u.hypot(nm.standard_uncertainty / ratio)),
        ),
        None => (through_drum, through_drum_u),
    })
}

fn waiting_for(core: &Core, connected: bool, now: Now) -> String {
    if let Some(awaited) = core.self_test_waits_for() {
        return awaited;
    }
    match (
        core.link.is_some(),
        connected,
        core.cut.latch(),
        core.pulls.phase(),
    ) {
        (false, ..) => "the port".to_owned(),
        (true, false, ..) => "the board's hello".to_owned(),
        _ if !core.armed => "a self-test of the guards: leverarm test-guards".to_owned(),
        (_, _, CutLatch::Requested, _) => "the board to confirm the cut".to_owned(),
        (_, _, CutLatch::Confirmed, _) => "a person to release the cut".to_owned(),
        (_, _, CutLatch::Releasing, _) => "the board to release the cut".to_owned(),
        (_, _, CutLatch::Running, PullPhase::Idle) => "the engine to turn".to_owned(),
        (_, _, CutLatch::Running, PullPhase::Ready) => {
            let start_rad_per_s = core.stand.pull.start_rad_per_s;
            let start_rpm = start_rad_per_s / RAD_PER_S_PER_RPM;
            let speed = core.signals.speed_now(Shaft::Engine, now.mono_us);
            if speed.is_some_and(|speed| speed > WELL_ABOVE * start_rad_per_s) {
                format!("a speed below {start_rpm:.0} rpm")
            } else {
                format!("full throttle through {start_rpm:.0} rpm")
            }
        }
        (_, _, CutLatch::Running, PullPhase::Rising | PullPhase::Pulling) => format!(
            "{:.0} rpm",
            core.stand.pull.end_rad_per_s / RAD_PER_S_PER_RPM
        ),
        (_, _, CutLatch::Running, PullPhase::Coasting) => "the end of the coast-down".to_owned(),
    }
}
