//! Maps from the store: torque, mixture and consumption over speed and load, from the holds of a setup.
//!
//! Every stored pull of the setup that held speeds takes part, at whatever throttle; each held speed is one point, as
//! measured, without a correction to standard air (ISO 1585, 1.2: that is for full load). Between them lies
//! [`leverarm_torque::map::Surface`].

use std::collections::BTreeSet;

use leverarm_config::display::{DisplayUnit, DisplayUnits};
use leverarm_plot::{Axis, Cell, Cells, Panel, Plot, Range, Series, round_step};
use leverarm_store::{ContentHash, PullId, PullState, StoreError, StoreReader};
use leverarm_torque::air::Correction;
use leverarm_torque::comparison::words::{counted, decimals_for};
use leverarm_torque::curve::{How, RAD_PER_S_PER_RPM};
use leverarm_torque::engine::{Reading, Role, per_work_kg_per_j};
use leverarm_torque::map::{Bends, MapError, Place, Surface};
use leverarm_torque::reduce::ReduceError;
use leverarm_vocabulary::load::StepList;
use serde_json::{Value, json};

use crate::comparison::Rows;
use crate::engine::{FigureKind, engine_pull};
use crate::exclusion::exclusions;
use crate::plan::lists_read;
use crate::reduction::{CurveChoice, ReductionError, reduce_recorded};
use crate::setup_correction::pulls;

/// Speeds within this share are the same column of holds.
const SAME_SPEED: f64 = 0.02;
/// Throttle positions so close are the same.
const SAME_THROTTLE: f64 = 0.03;
/// Torques within this share of the greatest are the same.
const SAME_TORQUE: f64 = 0.05;
/// Without positions that differ by so much the map is over torque.
const THROTTLE_RANGE_MIN: f64 = 0.1;
/// With fewer throttle positions lambda's band between them holds less than it should: 89 % of the time with three.
const JETS_TOLD_BY: usize = 4;
/// Levels of torque in a table.
const TORQUE_LEVELS: f64 = 6.0;
/// Cells of a picture across and up.
const CELLS: (u32, u32) = (48, 32);
/// Steps of the colour scale, about.
const COLOURS: f64 = 8.0;

/// What a map is over, beside speed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Load {
    /// Opening of the throttle, 0 to 1.
    Throttle,
    /// Torque at the crank, N·m.
    Torque,
}

impl Load {
    /// In a word.
    const fn word(self) -> &'static str {
        match self {
            Self::Throttle => "throttle",
            Self::Torque => "torque",
        }
    }
}

/// What a map shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shown {
    /// Torque at the crank, N·m.
    Torque,
    /// Power at the crank, W.
    Power,
    /// Lambda of the sensor.
    Lambda,
    /// Fuel, kg/s.
    Fuel,
    /// Brake specific fuel consumption, kg/J: fuel over torque times angular speed.
    Bsfc,
}

impl Shown {
    /// All of them.
    pub const ALL: [Self; 5] = [
        Self::Torque,
        Self::Power,
        Self::Lambda,
        Self::Fuel,
        Self::Bsfc,
    ];

    /// In a word.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Torque => "torque",
            Self::Power => "power",
            Self::Lambda => "lambda",
            Self::Fuel => "fuel",
            Self::Bsfc => "bsfc",
        }
    }

    /// As a heading.
    #[must_use]
    pub const fn title(self) -> &'static str {
        match self {
            Self::Torque => "Torque",
            Self::Power => "Power",
            Self::Lambda => "Lambda",
            Self::Fuel => "Fuel",
            Self::Bsfc => "Consumption for the work (bsfc)",
        }
    }

    /// Name with the SI unit at its end.
    const fn key(self) -> &'static str {
        match self {
            Self::Torque => "torque_nm",
            Self::Power => "power_w",
            Self::Lambda => "lambda",
            Self::Fuel => "fuel_kg_per_s",
            Self::Bsfc => "bsfc_kg_per_j",
        }
    }

    const fn bends(self) -> Bends {
        match self {
            Self::Lambda => Bends::WithKinks,
            Self::Torque | Self::Power | Self::Fuel | Self::Bsfc => Bends::Smoothly,
        }
    }

    /// The unit it is shown in.
    #[must_use]
    pub const fn unit(self, units: &DisplayUnits) -> DisplayUnit {
        match self {
            Self::Torque => units.torque,
            Self::Power => units.power,
            Self::Lambda => FigureKind::Number.unit(units),
            Self::Fuel => units.mass_flow,
            Self::Bsfc => units.consumption,
        }
    }
}

/// Fuel for the work; none where there is no work.
fn consumption(fuel: Reading, torque: Reading, omega: f64) -> Option<Reading> {
    let per_work = |[fuel, nm]: [f64; 2]| per_work_kg_per_j(fuel, nm, omega);
    (torque.value > 0.0).then(|| Reading::through([fuel, torque], per_work))
}

/// A speed that was held.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hold {
    /// In this pull.
    pub pull: PullId,
    /// Speed of the engine, rpm.
    pub rpm: f64,
    /// How long, s.
    pub seconds: f64,
    /// Opening of the throttle, 0 to 1: of the channel, or else what the list of steps asked for.
    pub throttle: f64,
    /// Torque at the crank as measured, N·m.
    pub torque_nm: Reading,
    /// Lambda of the sensor.
    pub lambda: Option<Reading>,
    /// Fuel, kg/s.
    pub fuel_kg_per_s: Option<Reading>,
}

impl Hold {
    fn load(&self, load: Load) -> f64 {
        match load {
            Load::Throttle => self.throttle,
            Load::Torque => self.torque_nm.value,
        }
    }

    fn place(&self, load: Load) -> Place {
        (self.rpm, self.load(load))
    }

    /// A quantity as it was read.
    fn read(&self, shown: Shown) -> Option<Reading> {
        let omega = self.rpm * RAD_PER_S_PER_RPM;
        match shown {
            Shown::Torque => Some(self.torque_nm),
            Shown::Power => Some(Reading::through([self.torque_nm], |[nm]| nm * omega)),
            Shown::Lambda => self.lambda,
            Shown::Fuel => self.fuel_kg_per_s,
            Shown::Bsfc => consumption(self.fuel_kg_per_s?, self.torque_nm, omega),
        }
    }
}

/// Why a setup has no map.
#[derive(Debug, thiserror::Error)]
pub enum MapFailure {
    /// The store would not give it.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// No pull with this setup.
    #[error("no pull was made with \"{0}\"; `leverarm pulls` lists what there is")]
    NoPulls(String),
    /// The holds make none.
    #[error("\"{setup}\": {error}{left_out}")]
    Map {
        /// The setup.
        setup: String,
        /// Why.
        #[source]
        error: MapError,
        /// Pulls that held nothing, in words; empty when there are none.
        left_out: String,
    },
}

/// A setup's map.
#[derive(Debug)]
pub struct StoredMap {
    /// The setup.
    pub setup: String,
    /// What it is over.
    pub load: Load,
    /// The holds, by speed.
    pub holds: Vec<Hold>,
    /// Pulls of the setup that gave no hold, with why.
    pub left_out: Vec<(PullId, String)>,
    /// What to know of it, in words.
    pub remarks: Vec<String>,
    torque: Surface,
    lambda: Option<Surface>,
    fuel: Option<Surface>,
    calibrations: BTreeSet<ContentHash>,
}

/// The map of a setup; over the throttle where it was held at several positions and nobody says otherwise. `reduced` is
/// told how many of its pulls are read, of how many.
///
/// # Errors
/// See [`MapFailure`].
pub fn map_of_setup(
    reader: &StoreReader,
    setup: &str,
    load: Option<Load>,
    choice: CurveChoice,
    reduced: impl Fn(usize, usize),
) -> Result<StoredMap, MapFailure> {
    let excluded = exclusions(reader)?;
    let lists = lists_read(reader)?;
    let of_setup: Vec<_> = pulls(reader)?
        .into_iter()
        .filter(|pull| pull.setup_name.as_deref() == Some(setup))
        .collect();
    if of_setup.is_empty() {
        return Err(MapFailure::NoPulls(setup.to_owned()));
    }
    let choice = CurveChoice {
        correction: Some(Correction::None),
        holds_only: true,
        ..choice
    };
    let (mut holds, mut left_out) = (Vec::new(), Vec::new());
    let mut calibrations = BTreeSet::new();
    let count = of_setup.len();
    for (place, pull) in of_setup.into_iter().enumerate() {
        reduced(place, count);
        if let Some(exclusion) = excluded.get(&pull.id) {
            left_out.push((pull.id, exclusion.words()));
            continue;
        }
        if pull.state != PullState::Stored {
            left_out.push((pull.id, pull.state.word().to_owned()));
            continue;
        }
        match holds_of(reader, pull.id, choice, lists.get(&pull.id)) {
            Ok(found) => {
                calibrations.insert(pull.calibration);
                holds.extend(found);
            }
            Err(ReductionError::Store(error)) => return Err(error.into()),
            Err(ReductionError::Reduce(ReduceError::NoRise { .. })) => {
                left_out.push((pull.id, "no speed was held".to_owned()));
            }
            Err(error) => left_out.push((pull.id, error.to_string())),
        }
    }
    reduced(count, count);
    holds.sort_by(|a, b| a.rpm.total_cmp(&b.rpm));
    StoredMap::of(setup, load, holds, left_out, calibrations)
}

/// The held speeds of a pull.
fn holds_of(
    reader: &StoreReader,
    pull: PullId,
    choice: CurveChoice,
    list: Option<&StepList>,
) -> Result<Vec<Hold>, ReductionError> {
    let (reduced, recording) = reduce_recorded(reader, pull, choice)?;
    let engine = engine_pull(&reduced, &recording);
    let asked = list.and_then(|list| list.throttle).unwrap_or(1.0);
    let points = reduced.curve.points.iter().filter(|it| it.trustworthy);
    Ok(points
        .zip(&engine.points)
        .filter_map(|(point, of_engine)| {
            let How::Steady { seconds } = point.how else {
                return None;
            };
            let throttle = of_engine.other(Role::Throttle);
            Some(Hold {
                pull,
                rpm: point.rpm,
                seconds,
                throttle: throttle.map_or(asked, |it| it.value),
                torque_nm: of_engine.torque_nm,
                lambda: of_engine.lambda,
                fuel_kg_per_s: of_engine.fuel_kg_per_s,
            })
        })
        .collect())
}

/// Middles of what lies together; `is_same` says whether the next of rising values still does.
fn middles(mut values: Vec<f64>, is_same: impl Fn(f64, f64) -> bool) -> Vec<f64> {
    values.sort_by(f64::total_cmp);
    let groups = values.chunk_by(|a, b| is_same(*a, *b));
    groups
        .map(|group| group.iter().sum::<f64>() / group.len() as f64)
        .collect()
}

/// The least and the greatest of values.
fn ends(values: impl Iterator<Item = f64>) -> (f64, f64) {
    values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), it| {
        (low.min(it), high.max(it))
    })
}

/// A place of a table.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Node {
    /// Where: speed, load.
    pub place: Place,
    /// Holds that it rests on; 0: between holds.
    pub holds: usize,
}

impl StoredMap {
    fn of(
        setup: &str,
        load: Option<Load>,
        holds: Vec<Hold>,
        left_out: Vec<(PullId, String)>,
        calibrations: BTreeSet<ContentHash>,
    ) -> Result<Self, MapFailure> {
        let (low, high) = ends(holds.iter().map(|hold| hold.throttle));
        let load = load.unwrap_or(if high - low > THROTTLE_RANGE_MIN {
            Load::Throttle
        } else {
            Load::Torque
        });
        let surface = |shown: Shown| {
            let known = holds
                .iter()
                .filter_map(|hold| Some((hold.place(load), hold.read(shown)?)));
            Surface::through(&known.collect::<Vec<_>>(), shown.bends())
        };
        let torque = surface(Shown::Torque).map_err(|error| MapFailure::Map {
            setup: setup.to_owned(),
            error,
            left_out: words_of(&left_out),
        })?;
        let mut remarks = Vec::new();
        if calibrations.len() > 1 {
            remarks.push("its pulls were made under calibrations that are not the same".to_owned());
        }
        Ok(Self {
            setup: setup.to_owned(),
            lambda: surface(Shown::Lambda).ok(),
            fuel: surface(Shown::Fuel).ok(),
            load,
            torque,
            holds,
            left_out,
            remarks,
            calibrations,
        })
    }

    /// The map that is left without some of its holds.
    ///
    /// # Errors
    /// When the rest makes none.
    pub fn without(&self, is_left_out: impl Fn(&Hold) -> bool) -> Result<Self, MapFailure> {
        let holds = self.holds.iter().filter(|hold| !is_left_out(hold));
        Self::of(
            &self.setup,
            Some(self.load),
            holds.copied().collect(),
            self.left_out.clone(),
            self.calibrations.clone(),
        )
    }

    /// What it can show: consumption only where fuel was measured.
    #[must_use]
    pub fn shows(&self, shown: Shown) -> bool {
        match shown {
            Shown::Torque | Shown::Power => self.load == Load::Throttle,
            Shown::Lambda => self.lambda.is_some(),
            Shown::Fuel | Shown::Bsfc => self.fuel.is_some(),
        }
    }

    /// A quantity at a place, none outside the hull of the holds.
    #[must_use]
    pub fn at(&self, shown: Shown, place: Place) -> Option<Reading> {
        let at = Surface::at;
        let omega = place.0 * RAD_PER_S_PER_RPM;
        let torque = || match self.load {
            Load::Throttle => at(&self.torque, place),
            Load::Torque => Some(Reading::exact(place.1)),
        };
        match shown {
            Shown::Torque => torque(),
            Shown::Power => Some(Reading::through([torque()?], |[nm]| nm * omega)),
            Shown::Lambda => at(self.lambda.as_ref()?, place),
            Shown::Fuel => at(self.fuel.as_ref()?, place),
            Shown::Bsfc => consumption(at(self.fuel.as_ref()?, place)?, torque()?, omega),
        }
    }

    /// Speeds and loads of its table.
    fn axes(&self) -> (Vec<f64>, Vec<f64>) {
        let speeds = self.holds.iter().map(|hold| hold.rpm).collect();
        let speeds = middles(speeds, |a, b| b - a <= SAME_SPEED * b);
        let loads: Vec<f64> = self.holds.iter().map(|hold| hold.load(self.load)).collect();
        let loads = match self.load {
            Load::Throttle => middles(loads, |a, b| b - a <= SAME_THROTTLE),
            Load::Torque => {
                let (low, high) = ends(loads.iter().copied());
                let step = round_step(high - low, TORQUE_LEVELS);
                let first = (low / step).ceil();
                let levels = (0..100_u32).map(|level| (first + f64::from(level)) * step);
                levels.take_while(|level| *level <= high).collect()
            }
        };
        (speeds, loads)
    }

    /// How far a hold may be from a table's place and still belong to it: speed, load.
    fn reach(&self) -> Place {
        match self.load {
            Load::Throttle => (SAME_SPEED, SAME_THROTTLE),
            Load::Torque => {
                let most = self.holds.iter().map(|hold| hold.torque_nm.value);
                (SAME_SPEED, SAME_TORQUE * most.fold(0.0, f64::max))
            }
        }
    }

    /// Whether two places are the same to a table.
    fn is_near(&self, one: Place, other: Place) -> bool {
        let reach = self.reach();
        (one.0 - other.0).abs() <= reach.0 * other.0 && (one.1 - other.1).abs() <= reach.1
    }

    /// The mean of what was read by the holds about a place.
    fn held(&self, shown: Shown, place: Place) -> Option<Reading> {
        let near = self
            .holds
            .iter()
            .filter(|hold| self.is_near(hold.place(self.load), place));
        let read: Vec<Reading> = near.filter_map(|hold| hold.read(shown)).collect();
        let count = read.len() as f64;
        let mean = |of: fn(&Reading) -> f64| read.iter().map(of).sum::<f64>() / count;
        let square = mean(|it| it.random * it.random);
        (!read.is_empty()).then(|| {
            let random = (square / count).sqrt();
            Reading::new(mean(|it| it.value), random, mean(|it| it.common))
        })
    }

    /// The places of its table: rows of speed, each with all loads. Where holds are, their own middle is the place.
    #[must_use]
    pub fn nodes(&self) -> Vec<(f64, Vec<(f64, Node)>)> {
        let (speeds, loads) = self.axes();
        let node = |rpm: f64, load: f64| {
            let near: Vec<Place> = self
                .holds
                .iter()
                .map(|hold| hold.place(self.load))
                .filter(|it| self.is_near(*it, (rpm, load)))
                .collect();
            let holds = near.len();
            let mean = |of: fn(&Place) -> f64| near.iter().map(of).sum::<f64>() / holds as f64;
            // Over torque the levels are round ones, and no hold is exactly there.
            let place = match (holds, self.load) {
                (1.., Load::Throttle) => (mean(|it| it.0), mean(|it| it.1)),
                _ => (rpm, load),
            };
            (load, Node { place, holds })
        };
        let row = |rpm: &f64| (*rpm, loads.iter().map(|load| node(*rpm, *load)).collect());
        speeds.iter().map(row).collect()
    }

    fn load_text(&self, load: f64, units: &DisplayUnits) -> String {
        match self.load {
            Load::Throttle => format!("{:.0} %", 100.0 * load),
            Load::Torque => units.torque.text(load, 1),
        }
    }

    /// How it was made, in words.
    #[must_use]
    pub fn words(&self) -> String {
        let pulls: BTreeSet<PullId> = self.holds.iter().map(|hold| hold.pull).collect();
        let seconds: f64 = self.holds.iter().map(|hold| hold.seconds).sum();
        format!(
            "{} of {seconds:.0} s in all, from {}; as measured, without a correction to standard air. ± 95 %; \
             in brackets the holds that a value rests on, 0: between holds (kriging, nothing outside their hull)",
            counted(self.holds.len(), "hold", "holds"),
            counted(pulls.len(), "pull", "pulls"),
        )
    }

    /// What does not belong to the numbers but has to be known, in words.
    #[must_use]
    pub fn doubts(&self) -> Vec<String> {
        let mut doubts = self.remarks.clone();
        if !self.left_out.is_empty() {
            doubts.push(format!("left out{}", words_of(&self.left_out)));
        }
        if self.load == Load::Throttle
            && self.lambda.is_some()
            && self.axes().1.len() < JETS_TOLD_BY
        {
            doubts.push(format!(
                "fewer than {JETS_TOLD_BY} throttle positions: lambda may bend more between them than its band says"
            ));
        }
        doubts
    }
}

fn words_of(left_out: &[(PullId, String)]) -> String {
    if left_out.is_empty() {
        return String::new();
    }
    let mut by_reason: Vec<(&str, Vec<String>)> = Vec::new();
    for (pull, reason) in left_out {
        match by_reason.iter_mut().find(|it| it.0 == reason) {
            Some((_, pulls)) => pulls.push(pull.to_string()),
            None => by_reason.push((reason, vec![pull.to_string()])),
        }
    }
    let each: Vec<String> = by_reason
        .into_iter()
        .map(|(reason, pulls)| format!("{} ({reason})", pulls.join(", ")))
        .collect();
    format!(": pulls {}", each.join("; "))
}

/// What one map has more than another where both were held at the same places: the difference there is a surface of its own,
/// which bends less than either, so that more is known between holds than by taking one surface off the other.
#[derive(Debug, Default)]
pub struct Apart {
    surfaces: Vec<(Shown, Surface)>,
}

impl Apart {
    /// Of two maps over the same load. What both were not held for at enough places in common is not in it.
    #[must_use]
    pub fn of(map: &StoredMap, less: &StoredMap) -> Self {
        if map.load == Load::Torque {
            // Nobody holds two setups at just the same torques.
            return Self::default();
        }
        let is_same = have_same_calibrations(map, less);
        let (mine, others) = (map.nodes(), less.nodes());
        let nodes: Vec<Node> = mine.iter().flat_map(|it| &it.1).map(|it| it.1).collect();
        let others: Vec<Node> = others.iter().flat_map(|it| &it.1).map(|it| it.1).collect();
        let pairs: Vec<(Node, Node)> = nodes
            .into_iter()
            .filter_map(|node| {
                let other = others.iter().find(|it| map.is_near(it.place, node.place))?;
                (node.holds > 0 && other.holds > 0).then_some((node, *other))
            })
            .collect();
        let surface = |shown: Shown| {
            let differences = pairs.iter().filter_map(|(node, other)| {
                let (a, b) = (map.held(shown, node.place)?, less.held(shown, other.place)?);
                let common = common_apart(&a, &b, is_same);
                let random = a.random.hypot(b.random);
                Some((node.place, Reading::new(a.value - b.value, random, common)))
            });
            Surface::through(&differences.collect::<Vec<_>>(), shown.bends()).ok()
        };
        Self {
            surfaces: Shown::ALL
                .into_iter()
                .filter(|shown| map.shows(*shown) && less.shows(*shown))
                .filter_map(|shown| Some((shown, surface(shown)?)))
                .collect(),
        }
    }

    fn surface(&self, shown: Shown) -> Option<&Surface> {
        self.surfaces
            .iter()
            .find(|it| it.0 == shown)
            .map(|it| &it.1)
    }
}

fn have_same_calibrations(map: &StoredMap, less: &StoredMap) -> bool {
    map.calibrations == less.calibrations && map.calibrations.len() == 1
}

/// What is common to two readings and the same in both counts by its difference.
fn common_apart(a: &Reading, b: &Reading, is_same: bool) -> f64 {
    if is_same {
        (a.common - b.common).abs()
    } else {
        a.common.hypot(b.common)
    }
}

/// The map that is taken off another.
#[derive(Debug, Clone, Copy)]
pub struct Less<'a> {
    /// The map.
    pub map: &'a StoredMap,
    /// What the other has more than it.
    pub apart: &'a Apart,
}

/// One map, or what one has more than another.
#[derive(Debug, Clone, Copy)]
pub struct MapView<'a> {
    /// The map, or the one that is looked at.
    pub map: &'a StoredMap,
    /// The one that is taken off.
    pub less: Option<Less<'a>>,
    /// What putting a part back on moves the torque by, as a share; counts where one is taken off another.
    pub refit: f64,
}

impl<'a> MapView<'a> {
    /// A map by itself.
    #[must_use]
    pub const fn of(map: &'a StoredMap) -> Self {
        Self {
            map,
            less: None,
            refit: 0.0,
        }
    }

    /// What a picture of it shows where nobody says: torque, and consumption or else the mixture.
    #[must_use]
    pub fn usual(&self) -> Vec<Shown> {
        let wanted = [Shown::Torque, Shown::Bsfc, Shown::Lambda];
        wanted
            .into_iter()
            .filter(|it| self.shows(*it))
            .take(2)
            .collect()
    }

    /// What a table of it is of.
    #[must_use]
    pub fn table_title(&self, shown: Shown, units: &DisplayUnits) -> String {
        let unit = match shown.unit(units).symbol {
            "" => String::new(),
            symbol => format!(", {symbol}"),
        };
        format!(
            "{}: {}{unit}, over speed and {}",
            self.title(),
            shown.title(),
            self.map.load.word()
        )
    }

    /// Whether it can show a quantity.
    #[must_use]
    pub fn shows(&self, shown: Shown) -> bool {
        self.map.shows(shown) && self.less.is_none_or(|less| less.map.shows(shown))
    }

    /// All that it can show.
    #[must_use]
    pub fn all_shown(&self) -> Vec<Shown> {
        let all = Shown::ALL.into_iter();
        all.filter(|shown| self.shows(*shown)).collect()
    }

    /// What it says, or by how much two differ, in a unit.
    fn number(&self, unit: DisplayUnit, si: f64) -> f64 {
        match self.less {
            Some(_) => unit.difference(si),
            None => unit.number(si),
        }
    }

    /// What is shown at a place, with the half width of its 95 % interval. None outside either hull.
    #[must_use]
    pub fn at(&self, shown: Shown, place: Place) -> Option<(f64, f64)> {
        let map = self.map;
        let Some(less) = self.less else {
            let found = map.at(shown, place)?;
            return Some((found.value, found.expanded()));
        };
        let (of_map, of_less) = (map.at(shown, place)?, less.map.at(shown, place)?);
        let paired = less.apart.surface(shown);
        let apart = paired.and_then(|surface| surface.at(place));
        let apart = apart.unwrap_or_else(|| {
            let is_same = have_same_calibrations(map, less.map);
            let common = common_apart(&of_map, &of_less, is_same);
            let random = of_map.random.hypot(of_less.random);
            Reading::new(of_map.value - of_less.value, random, common)
        });
        let moves = matches!(shown, Shown::Torque | Shown::Power | Shown::Bsfc);
        let refit = if moves {
            self.refit * of_map.value.abs()
        } else {
            0.0
        };
        // Each of the two was mounted once more or less.
        let mounted = Reading {
            random: apart.random.hypot(refit * 2.0_f64.sqrt()),
            ..apart
        };
        Some((apart.value, mounted.expanded()))
    }

    /// What it is of.
    #[must_use]
    pub fn title(&self) -> String {
        match self.less {
            None => self.map.setup.clone(),
            Some(less) => format!("{} less {}", self.map.setup, less.map.setup),
        }
    }

    /// The table of a quantity.
    #[must_use]
    pub fn table(&self, shown: Shown, units: &DisplayUnits) -> Rows {
        let unit = shown.unit(units);
        let nodes = self.nodes();
        let widths = nodes
            .iter()
            .flat_map(|(_, row)| row)
            .filter_map(|(_, node)| {
                let (_, half) = self.at(shown, node.place)?;
                Some(unit.difference(half))
            });
        let least = widths.fold(f64::INFINITY, f64::min);
        let decimals = decimals_for(least).min(3);
        let cell = |(_, node): &(f64, Node)| match self.at(shown, node.place) {
            Some((value, half)) => {
                let value = self.number(unit, value);
                let value = match self.less {
                    Some(_) => format!("{value:+.decimals$}"),
                    None => format!("{value:.decimals$}"),
                };
                let half = unit.difference(half);
                format!("{value} ± {half:.decimals$} ({})", node.holds)
            }
            None => "–".to_owned(),
        };
        let first = nodes.first().map(|it| it.1.as_slice()).unwrap_or_default();
        let loads = first
            .iter()
            .map(|(load, _)| self.map.load_text(*load, units));
        Rows {
            headings: std::iter::once("rpm".to_owned()).chain(loads).collect(),
            rows: nodes
                .iter()
                .map(|(rpm, row)| {
                    let cells = row.iter().map(cell);
                    std::iter::once(format!("{rpm:.0}")).chain(cells).collect()
                })
                .collect(),
            text_columns: 0,
        }
    }

    /// The map's places; holds of a difference are the fewer of the two.
    fn nodes(&self) -> Vec<(f64, Vec<(f64, Node)>)> {
        let mut nodes = self.map.nodes();
        let Some(less) = self.less.map(|less| less.map) else {
            return nodes;
        };
        for node in nodes
            .iter_mut()
            .flat_map(|it| &mut it.1)
            .map(|it| &mut it.1)
        {
            let (rpm, load) = node.place;
            let near = less.holds.iter().map(|hold| hold.place(less.load));
            let near = near.filter(|it| self.map.is_near(*it, node.place));
            node.holds = node.holds.min(near.count());
            // The other was held a hair beside it.
            if node.holds > 0 && !less.torque.holds(node.place) {
                let middle = less.torque.hull().iter();
                let count = less.torque.hull().len() as f64;
                let (x, y) = middle.fold((0.0, 0.0), |(x, y), it| (x + it.0, y + it.1));
                let towards = |from: f64, to: f64| from + INWARD * (to - from);
                node.place = (towards(rpm, x / count), towards(load, y / count));
            }
        }
        nodes
    }

    /// Names of the columns of [`rows_si`](Self::rows_si).
    #[must_use]
    pub fn keys(&self) -> Vec<String> {
        let load = match self.map.load {
            Load::Throttle => "throttle",
            Load::Torque => "at_torque_nm",
        };
        let mut keys = vec!["rpm".to_owned(), load.to_owned(), "holds".to_owned()];
        for shown in self.all_shown() {
            keys.push(shown.key().to_owned());
            keys.push(format!(
                "{}_plus_minus{}",
                shown.word(),
                shown.key().strip_prefix(shown.word()).unwrap_or_default()
            ));
        }
        keys
    }

    /// All that it shows at the places of its table, in SI; none where it says nothing.
    #[must_use]
    pub fn rows_si(&self) -> Vec<Vec<Option<f64>>> {
        let nodes = self.nodes();
        let shown = self.all_shown();
        let places = nodes.iter().flat_map(|(_, row)| row.iter().map(|it| it.1));
        places
            .map(|node| {
                let mut row = vec![
                    Some(node.place.0),
                    Some(node.place.1),
                    Some(node.holds as f64),
                ];
                for shown in &shown {
                    let found = self.at(*shown, node.place);
                    row.extend([found.map(|it| it.0), found.map(|it| it.1)]);
                }
                row
            })
            .collect()
    }

    /// All of it for programs, in SI.
    #[must_use]
    pub fn json(&self) -> Value {
        let keys = self.keys();
        let rows = self.rows_si().into_iter().map(|row| {
            let pairs = keys
                .iter()
                .cloned()
                .zip(row.into_iter().map(|it| json!(it)));
            Value::Object(pairs.collect())
        });
        let holds = self.map.holds.iter().map(|hold| {
            json!({
                "pull": hold.pull.get(),
                "rpm": hold.rpm,
                "seconds": hold.seconds,
                "throttle": hold.throttle,
                "torque_nm": hold.torque_nm.value,
                "torque_plus_minus_nm": hold.torque_nm.expanded(),
                "lambda": hold.lambda.map(|it| it.value),
                "fuel_kg_per_s": hold.fuel_kg_per_s.map(|it| it.value),
            })
        });
        json!({
            "setup": self.map.setup,
            "less": self.less.map(|less| &less.map.setup),
            "over": self.map.load.word(),
            "holds": holds.collect::<Vec<_>>(),
            "cells": rows.collect::<Vec<_>>(),
            "interpolation": "universal kriging, linear trend, Matérn 7/2, of lambda 3/2; nothing outside the convex hull of the holds",
            "remarks": self.map.doubts(),
        })
    }

    /// Its picture: a panel for each quantity, shaded in steps, the holds marked, what is not known to a step of the
    /// colours hatched, nothing outside the hull.
    #[must_use]
    pub fn plot(&self, shown: &[Shown], stand: &str, units: &DisplayUnits) -> Plot {
        let is_throttle = self.map.load == Load::Throttle;
        let scale = |load: f64| {
            if is_throttle {
                100.0 * load
            } else {
                units.torque.number(load)
            }
        };
        let label = self.map.load.word();
        let unit = if is_throttle {
            "%"
        } else {
            units.torque.symbol
        };
        let loads = self
            .map
            .holds
            .iter()
            .map(|hold| scale(hold.load(self.map.load)));
        let (low, high) = ends(loads);
        let room = 0.04 * (high - low);
        let slow = self.map.holds.first().map_or(0.0, |hold| hold.rpm);
        let fast = self.map.holds.last().map_or(1.0, |hold| hold.rpm);
        let panel = |shown: &Shown| Panel {
            y: Axis {
                label: format!("{} over {label}", shown.title()),
                unit: unit.to_owned(),
                range: Range::Fixed {
                    low: low - room,
                    high: high + room,
                },
            },
            series: vec![Series {
                points: self
                    .map
                    .holds
                    .iter()
                    .flat_map(|hold| {
                        let at = (hold.rpm, scale(hold.load(self.map.load)));
                        [at, (f64::NAN, f64::NAN)]
                    })
                    .collect(),
                ..Series::default()
            }],
            cells: self.cells(*shown, units, &scale),
            ..Panel::default()
        };
        Plot {
            title: self.title(),
            subtitle: stand.to_owned(),
            x: Axis {
                range: Range::Fixed {
                    low: slow - 0.03 * (fast - slow),
                    high: fast + 0.03 * (fast - slow),
                },
                ..Axis::new("speed", "rpm")
            },
            panels: shown
                .iter()
                .filter(|it| self.shows(**it))
                .map(panel)
                .collect(),
            shades: Vec::new(),
            notes: vec![
                "marks: speeds that were held; as measured, without a correction".to_owned(),
                "hatched: the 95 % interval is wider to each side than a step of the colours"
                    .to_owned(),
                "between holds by kriging; nothing is drawn outside their hull".to_owned(),
            ],
        }
    }

    fn cells(
        &self,
        shown: Shown,
        units: &DisplayUnits,
        scale: &dyn Fn(f64) -> f64,
    ) -> Option<Cells> {
        let unit = shown.unit(units);
        let mut hull: Vec<Place> = self.map.torque.hull().to_vec();
        if let Some(less) = self.less {
            hull = clipped(hull, less.map.torque.hull());
        }
        let (left, right) = ends(hull.iter().map(|it| it.0));
        let (low, high) = ends(hull.iter().map(|it| it.1));
        let (wide, tall) = (
            (right - left) / f64::from(CELLS.0),
            (high - low) / f64::from(CELLS.1),
        );
        let mut found = Vec::new();
        for column in 0..CELLS.0 {
            for row in 0..CELLS.1 {
                let (x, y) = (left + f64::from(column) * wide, low + f64::from(row) * tall);
                let square = vec![(x, y), (x + wide, y), (x + wide, y + tall), (x, y + tall)];
                let corners = clipped(square, &hull);
                if corners.len() < 3 {
                    continue;
                }
                let count = corners.len() as f64;
                let (sum_x, sum_y) = corners
                    .iter()
                    .fold((0.0, 0.0), |(x, y), it| (x + it.0, y + it.1));
                let Some((value, half)) = self.at(shown, (sum_x / count, sum_y / count)) else {
                    continue;
                };
                found.push((corners, self.number(unit, value), unit.difference(half)));
            }
        }
        let (least, most) = ends(found.iter().map(|it| it.1));
        // A difference has its zero in the middle.
        let (least, most) = if self.less.is_some() {
            let reach = least.abs().max(most.abs());
            (-reach, reach)
        } else {
            (least, most)
        };
        if most <= least {
            return None;
        }
        let step = round_step(most - least, COLOURS);
        let cells = found.into_iter().map(|(corners, value, half)| Cell {
            corners: corners.into_iter().map(|(x, y)| (x, scale(y))).collect(),
            value,
            is_vague: half > step,
        });
        Some(Cells {
            cells: cells.collect(),
            first: (least / step).floor() * step,
            step,
            last: (most / step).ceil() * step,
            has_middle: self.less.is_some(),
            unit: unit.symbol.to_owned(),
        })
    }
}

/// So far towards the middle of the other hull a place is moved that lies a hair outside it.
const INWARD: f64 = 0.03;

/// A polygon cut by a convex one with its corners against the clock (Sutherland and Hodgman, 1974).
fn clipped(polygon: Vec<Place>, convex: &[Place]) -> Vec<Place> {
    let edges = convex.iter().zip(convex.iter().cycle().skip(1));
    edges.fold(polygon, |polygon, (a, b)| {
        let side = |it: &Place| (b.0 - a.0) * (it.1 - a.1) - (b.1 - a.1) * (it.0 - a.0);
        let mut kept = Vec::new();
        for (from, to) in polygon.iter().zip(polygon.iter().cycle().skip(1)) {
            let (before, after) = (side(from), side(to));
            if before >= 0.0 {
                kept.push(*from);
            }
            if (before < 0.0) != (after < 0.0) {
                let share = before / (before - after);
                kept.push((
                    from.0 + share * (to.0 - from.0),
                    from.1 + share * (to.1 - from.1),
                ));
            }
        }
        kept
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cell_is_cut_at_the_hull() {
        let square = vec![(0.0, 0.0), (2.0, 0.0), (2.0, 2.0), (0.0, 2.0)];
        let triangle = [(0.0, 0.0), (2.0, 0.0), (0.0, 2.0)];
        let cut = clipped(square.clone(), &triangle);
        let area = |corners: &[Place]| {
            let edges = corners.iter().zip(corners.iter().cycle().skip(1));
            0.5 * edges.map(|(a, b)| a.0 * b.1 - b.0 * a.1).sum::<f64>()
        };
        assert!((area(&cut) - 2.0).abs() < 1e-12, "{cut:?}");
        assert!(clipped(vec![(3.0, 3.0), (4.0, 3.0), (4.0, 4.0)], &triangle).is_empty());
        assert_eq!(
            clipped(vec![(0.1, 0.1), (0.2, 0.1), (0.1, 0.2)], &triangle).len(),
            3
        );
    }

    #[test]
    fn steps_are_round() {
        for (span, steps, expected) in [
            (10.0, 8.0, 2.0),
            (0.9, 8.0, 0.2),
            (37.0, 8.0, 5.0),
            (1.0, 10.0, 0.1),
        ] {
            assert!(
                (round_step(span, steps) - expected).abs() < 1e-12,
                "{span} {steps}"
            );
        }
        assert_eq!(
            middles(vec![1.0, 5.0, 1.1, 5.1], |a, b| b - a < 0.5),
            [1.05, 5.05]
        );
    }
}
