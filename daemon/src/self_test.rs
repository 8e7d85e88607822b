//! The last self-test of the guards, as the store keeps it: the daemon arms the stand with it.

use leverarm_config::Stand;
use serde::{Deserialize, Serialize};

use leverarm_live::{Arming, LastTest, Passed, SelfTestReport};
use leverarm_store::{ContentHash, Store, StoreError, StoreReader};

const META_SELF_TEST: &str = "guard self-test";
const META_REHEARSED: &str = "rehearsed guard self-test";
/// A self-test counts for so long where the stand file does not say.
const AGE_S_MAX: u32 = 24 * 3600;

/// What the guards were tested on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum TestedOn {
    /// The board at the port, with everything at standstill.
    Board,
    /// A simulated stand with the same stand file.
    SoftwareStand,
}

impl TestedOn {
    /// Where it is kept. One on a simulated stand says nothing for or against the board.
    const fn key(self) -> &'static str {
        match self {
            Self::Board => META_SELF_TEST,
            Self::SoftwareStand => META_REHEARSED,
        }
    }
}

/// A self-test, and the stand file whose guards it tested.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct KeptSelfTest {
    /// Hash of the stand file: with another one, the guards are others.
    pub stand: String,
    /// On what.
    pub on: TestedOn,
    /// How it went.
    pub report: SelfTestReport,
}

/// Keeps a self-test in place of the last one of its kind.
///
/// # Errors
/// As the store's writing methods.
pub fn keep_self_test(
    store: &mut Store,
    stand: ContentHash,
    on: TestedOn,
    report: &SelfTestReport,
) -> Result<(), StoreError> {
    let kept = KeptSelfTest {
        stand: stand.to_string(),
        on,
        report: report.clone(),
    };
    let text = serde_json::to_string(&kept).map_err(|error| StoreError::Invalid {
        what: "self-test of the guards",
        expected: "finite numbers".to_owned(),
        found: error.to_string(),
    })?;
    store.set_meta(on.key(), Some(&text))
}

/// The last self-test of this stand file's guards with its board. One that can't be read counts as
/// none.
///
/// # Errors
/// As the store's reading methods.
pub fn last_self_test(
    reader: &StoreReader,
    stand: ContentHash,
) -> Result<Option<KeptSelfTest>, StoreError> {
    let text = reader.meta(META_SELF_TEST)?;
    let kept = text.and_then(|text| serde_json::from_str::<KeptSelfTest>(&text).ok());
    Ok(kept.filter(|kept| kept.stand == stand.to_string()))
}

/// What the daemon asks of the guards of this stand before it arms.
///
/// A board that says that it is simulated has no stand behind it: with it none is asked for, unless
/// the stand file names an age.
pub(crate) fn arming(
    reader: &StoreReader,
    stand: &Stand,
    text: &str,
) -> Result<Arming, StoreError> {
    let age_s_max = match stand.board.self_test_age_s_max {
        Some(0) => None,
        age_s_max => Some(age_s_max.unwrap_or(AGE_S_MAX)),
    };
    let last = last_self_test(reader, ContentHash::of(text))?;
    let last = match last.map(|kept| kept.report) {
        None => LastTest::None,
        Some(report) if !report.passed => LastTest::Failed,
        Some(report) => match report.board {
            Some(board) => LastTest::Passed(Passed {
                wall_us: report.wall_us,
                board,
            }),
            None => LastTest::None,
        },
    };
    Ok(Arming {
        age_us_max: age_s_max.map(|age_s| 1_000_000 * i64::from(age_s)),
        simulated_is_exempt: stand.board.self_test_age_s_max.is_none(),
        last,
    })
}
