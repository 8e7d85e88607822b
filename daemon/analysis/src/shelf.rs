//! The shelf: what a person says of each part, and every test it was in. Words on parts are events in the
//! journal, so that nothing is overwritten; a picture is a file beside the store's own, named by its
//! content.

use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use leverarm_store::files::{PICTURES_FOLDER, make_own_folder, write_own};
use leverarm_store::{EventRecord, NewEvent, PullId, StoreError, StoreReader};
use leverarm_vocabulary::{Event, Now, payload};

use crate::exclusion::exclusions;
use crate::local_time::local_text;
use crate::parts::{Part, parts_of};
use crate::setup_correction;

/// The events are about this, which the store has an index for.
const ABOUT: &str = "shelf";
/// A picture is no larger.
pub const PICTURE_BYTES_MAX: usize = 4 << 20;
/// The best rating.
pub const RATING_MAX: u8 = 5;
/// Characters of a part's name, of its value and of who speaks.
pub const NAME_CHARS_MAX: usize = 100;
/// Characters of notes.
pub const NOTES_CHARS_MAX: usize = 4000;
/// Characters of where a part lies.
pub const PLACE_CHARS_MAX: usize = 200;

/// A person's word on a part. What is left out stays as it was said before; an empty text, or a rating of
/// 0, takes it back.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ShelfWord {
    /// What part, such as "main jet".
    pub part: String,
    /// Which one, such as "105" or "3 mm".
    pub value: String,
    /// From 1 to [`RATING_MAX`], the best.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rating: Option<u8>,
    /// Free text.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub notes: Option<String>,
    /// Where it lies.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub place: Option<String>,
    /// Name of its picture's file, as [`keep_picture`] gave it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub picture: Option<String>,
    /// Who says so; may be empty.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub by: String,
}

/// A word that can't be.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ShelfError {
    /// Part or value is missing.
    #[error("a part is named by what it is and which one, such as \"main jet=105\", found {0:?}")]
    Name(String),
    /// A rating beyond the best.
    #[error("rating: expected 1 to {RATING_MAX}, or 0 to take it back, found {0}")]
    Rating(u8),
    /// A file name that [`keep_picture`] does not give.
    #[error("picture: expected the name of a kept picture, found {0:?}")]
    PictureName(String),
    /// A text that is too long.
    #[error("{what}: expected at most {chars_max} characters, found {found}")]
    TooLong {
        /// Which.
        what: &'static str,
        /// Characters it may have.
        chars_max: usize,
        /// Characters it has.
        found: usize,
    },
    /// Characters that no terminal or page shows.
    #[error("{0}: expected {1}without control characters")]
    Control(&'static str, &'static str),
    /// Nothing is said.
    #[error("nothing is said of {0}: give a rating, notes, a place or a picture")]
    Nothing(String),
}

impl ShelfWord {
    /// Of the part that a person names as "main jet=105".
    ///
    /// # Errors
    /// [`ShelfError::Name`].
    pub fn of(name: &str) -> Result<Self, ShelfError> {
        let bad = || ShelfError::Name(name.to_owned());
        let (part, value) = name.split_once('=').ok_or_else(bad)?;
        // Written like a setup's part, so that both are the same one.
        let (part, value) = (part.trim(), Part::of_text(value).words());
        if part.is_empty() || value.is_empty() {
            return Err(bad());
        }
        Ok(Self {
            part: part.to_owned(),
            value,
            ..Self::default()
        })
    }

    /// Whether it can be kept.
    ///
    /// # Errors
    /// [`ShelfError`].
    pub fn check(&self) -> Result<(), ShelfError> {
        if self.part.trim().is_empty() || self.value.trim().is_empty() {
            return Err(ShelfError::Name(self.name()));
        }
        let place = self.place.as_deref().unwrap_or_default();
        for (what, text, chars_max) in [
            ("part", self.part.as_str(), NAME_CHARS_MAX),
            ("value", &self.value, NAME_CHARS_MAX),
            ("by", &self.by, NAME_CHARS_MAX),
            ("place", place, PLACE_CHARS_MAX),
        ] {
            if text.chars().any(char::is_control) {
                return Err(ShelfError::Control(what, "one line of text, "));
            }
            bounded(what, text, chars_max)?;
        }
        let notes = self.notes.as_deref().unwrap_or_default();
        let is_bad = |c: char| c.is_control() && !matches!(c, '\n' | '\r' | '\t');
        if notes.contains(is_bad) {
            return Err(ShelfError::Control("notes", "text "));
        }
        bounded("notes", notes, NOTES_CHARS_MAX)?;
        if let Some(rating) = self.rating.filter(|rating| *rating > RATING_MAX) {
            return Err(ShelfError::Rating(rating));
        }
        if let Some(name) = self.picture.as_ref().filter(|name| !is_picture_name(name)) {
            return Err(ShelfError::PictureName(name.clone()));
        }
        if self.rating.is_none()
            && [&self.notes, &self.place, &self.picture]
                .iter()
                .all(|said| said.is_none())
        {
            return Err(ShelfError::Nothing(self.name()));
        }
        Ok(())
    }

    /// Without blanks around its texts.
    #[must_use]
    pub fn trimmed(self) -> Self {
        let trim = |text: String| text.trim().to_owned();
        Self {
            part: trim(self.part),
            value: trim(self.value),
            notes: self.notes.map(trim),
            place: self.place.map(trim),
            by: trim(self.by),
            ..self
        }
    }

    /// "main jet 105".
    #[must_use]
    pub fn name(&self) -> String {
        format!("{} {}", self.part, self.value)
    }

    /// The event that keeps it.
    #[must_use]
    pub fn event(&self, now: Now) -> NewEvent {
        let by = if self.by.is_empty() {
            String::new()
        } else {
            format!(" by {}", self.by)
        };
        let said = |what: &str, text: &Option<String>| {
            text.as_ref().map(|text| {
                if text.is_empty() {
                    format!("{what} taken back")
                } else {
                    format!("{what}: {text}")
                }
            })
        };
        let rating = self.rating.map(|rating| match rating {
            0 => "rating taken back".to_owned(),
            _ => format!("rating: {rating} of {RATING_MAX}"),
        });
        let all = [
            rating,
            said("notes", &self.notes),
            said("lies", &self.place),
            said("picture", &self.picture),
        ];
        let all = all.into_iter().flatten().collect::<Vec<_>>().join("; ");
        let told = payload::PartDescribed {
            part: self.part.clone(),
            value: self.value.clone(),
            rating: self.rating,
            notes: self.notes.clone(),
            place: self.place.clone(),
            picture: self.picture.clone(),
            by: self.by.clone(),
        };
        let message = format!("{} described{by}: {all}", self.name());
        Event::telling(now, None, &told, message)
            .about(ABOUT)
            .into()
    }
}

fn bounded(what: &'static str, text: &str, chars_max: usize) -> Result<(), ShelfError> {
    let found = text.chars().count();
    if found > chars_max {
        return Err(ShelfError::TooLong {
            what,
            chars_max,
            found,
        });
    }
    Ok(())
}

/// A test that a part was in: pulls with one setup on one day.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ShelfTest {
    /// When the first of them began.
    pub wall_us: i64,
    /// The setup.
    pub setup: String,
    /// Its other parts, in words.
    pub beside: String,
    /// Numbers of the pulls.
    pub pulls: Vec<PullId>,
    /// Those of them that are excluded.
    pub excluded: Vec<PullId>,
}

/// A part on the shelf or on the engine.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ShelfPart {
    /// What part, such as "main jet".
    pub part: String,
    /// Which one, such as "105".
    pub value: String,
    /// From 1 to [`RATING_MAX`].
    pub rating: Option<u8>,
    /// Free text; may be empty.
    pub notes: String,
    /// Where it lies; may be empty.
    pub place: String,
    /// The picture's file.
    pub picture: Option<PathBuf>,
    /// Setups that it is part of, though no pull was made with them.
    pub untested: Vec<String>,
    /// Every test it was in, oldest first.
    pub tests: Vec<ShelfTest>,
}

impl ShelfPart {
    /// "4 of 5"; empty without one.
    #[must_use]
    pub fn rating_words(&self) -> String {
        let words = |rating: u8| format!("{rating} of {RATING_MAX}");
        self.rating.map_or_else(String::new, words)
    }

    /// Pulls of all its tests.
    #[must_use]
    pub fn pulls(&self) -> usize {
        self.tests.iter().map(|test| test.pulls.len()).sum()
    }

    /// Whether any setup has it.
    #[must_use]
    pub fn is_on_a_setup(&self) -> bool {
        !self.untested.is_empty() || !self.tests.is_empty()
    }
}

/// Every part that a setup has or a person spoke of, by name.
///
/// # Errors
/// When the store can't be read.
pub fn shelf(reader: &StoreReader) -> Result<Vec<ShelfPart>, StoreError> {
    let mut parts: BTreeMap<(String, String), ShelfPart> = BTreeMap::new();
    let setups = reader.setups()?;
    for setup in &setups {
        for (part, value) in parts_of(&setup.parts) {
            let entry = entry(&mut parts, &part, &value.words());
            entry.untested.push(setup.name.clone());
            if entry.notes.is_empty() {
                entry.notes = value.note;
            }
        }
    }
    let folder = reader.folder().join(PICTURES_FOLDER);
    for word in words(&reader.events_about(ABOUT)?)? {
        let entry = entry(&mut parts, &word.part, &word.value);
        if let Some(rating) = word.rating {
            entry.rating = (rating > 0).then_some(rating);
        }
        if let Some(notes) = word.notes {
            entry.notes = notes;
        }
        if let Some(place) = word.place {
            entry.place = place;
        }
        if let Some(picture) = word
            .picture
            .filter(|it| it.is_empty() || is_picture_name(it))
        {
            entry.picture = (!picture.is_empty()).then(|| folder.join(picture));
        }
    }
    let excluded = exclusions(reader)?;
    let pulls = setup_correction::pulls(reader)?;
    for pull in &pulls {
        let setup = setups.iter().find(|setup| Some(setup.id) == pull.setup);
        let Some(setup) = setup else {
            continue;
        };
        let own = parts_of(&setup.parts);
        for (part, value) in &own {
            let entry = entry(&mut parts, part, &value.words());
            let day = day_of(pull.started_wall_us);
            let same = entry
                .tests
                .iter_mut()
                .find(|test| test.setup == setup.name && day_of(test.wall_us) == day);
            let test = if let Some(test) = same {
                test
            } else {
                let others = own.iter().filter(|(other, _)| other != part);
                let beside = others.map(|(other, value)| format!("{other} {}", value.words()));
                entry.tests.push(ShelfTest {
                    wall_us: pull.started_wall_us,
                    setup: setup.name.clone(),
                    beside: beside.collect::<Vec<_>>().join(", "),
                    pulls: Vec::new(),
                    excluded: Vec::new(),
                });
                let Some(test) = entry.tests.last_mut() else {
                    continue;
                };
                test
            };
            test.pulls.push(pull.id);
            if excluded.contains_key(&pull.id) {
                test.excluded.push(pull.id);
            }
        }
    }
    let mut parts: Vec<ShelfPart> = parts.into_values().collect();
    for part in &mut parts {
        let ShelfPart {
            tests, untested, ..
        } = part;
        let tested: Vec<&String> = tests.iter().map(|test| &test.setup).collect();
        untested.retain(|setup| !tested.contains(&setup));
    }
    Ok(parts)
}

/// The local date.
#[must_use]
pub fn day_of(wall_us: i64) -> String {
    local_text(wall_us).chars().take(10).collect()
}

fn entry<'a>(
    parts: &'a mut BTreeMap<(String, String), ShelfPart>,
    part: &str,
    value: &str,
) -> &'a mut ShelfPart {
    let key = (part.to_owned(), value.to_owned());
    parts.entry(key).or_insert_with(|| ShelfPart {
        part: part.to_owned(),
        value: value.to_owned(),
        rating: None,
        notes: String::new(),
        place: String::new(),
        picture: None,
        untested: Vec::new(),
        tests: Vec::new(),
    })
}

fn words(events: &[EventRecord]) -> Result<Vec<payload::PartDescribed>, StoreError> {
    let described = events.iter().map(EventRecord::payload);
    described.filter_map(Result::transpose).collect()
}

/// Why a picture was not kept.
#[derive(Debug, thiserror::Error)]
pub enum PictureError {
    /// It can't be read or written.
    #[error("{}: {source}", .file.display())]
    Io {
        /// The file.
        file: PathBuf,
        /// What the system says.
        source: io::Error,
    },
    /// Too large.
    #[error("{}: {bytes} bytes, expected at most {PICTURE_BYTES_MAX}: make it smaller", .file.display())]
    TooLarge {
        /// The file.
        file: PathBuf,
        /// Its size.
        bytes: u64,
    },
    /// No picture.
    #[error("{}: expected a PNG or JPEG picture", .0.display())]
    NoPicture(PathBuf),
}

/// Copies a picture into the store's folder, and gives its name there.
///
/// # Errors
/// When it is no PNG or JPEG, larger than [`PICTURE_BYTES_MAX`], or can't be read or written.
pub fn keep_picture(store_folder: &Path, file: &Path) -> Result<String, PictureError> {
    let failed = |file: &Path| {
        let file = file.to_owned();
        move |source| PictureError::Io { file, source }
    };
    let bytes = std::fs::metadata(file).map_err(failed(file))?.len();
    if usize::try_from(bytes).map_or(true, |bytes| bytes > PICTURE_BYTES_MAX) {
        return Err(PictureError::TooLarge {
            file: file.to_owned(),
            bytes,
        });
    }
    let content = std::fs::read(file).map_err(failed(file))?;
    let ending = ending_of(&content).ok_or_else(|| PictureError::NoPicture(file.to_owned()))?;
    let hash: String = Sha256::digest(&content)
        .iter()
        .map(|byte| format!("{byte:02x}"))
        .collect();
    let name = format!("{hash}.{ending}");
    let folder = store_folder.join(PICTURES_FOLDER);
    make_own_folder(&folder).map_err(failed(&folder))?;
    let kept = folder.join(&name);
    write_own(&kept, &content).map_err(failed(&kept))?;
    Ok(name)
}

/// By the signatures of PNG (ISO/IEC 15948) and JPEG (ITU-T T.81, SOI marker).
fn ending_of(content: &[u8]) -> Option<&'static str> {
    match content {
        [0x89, b'P', b'N', b'G', b'\r', b'\n', 0x1A, b'\n', ..] => Some("png"),
        [0xFF, 0xD8, 0xFF, ..] => Some("jpg"),
        _ => None,
    }
}

/// A SHA-256 and an ending: nothing that leads out of the folder. Or empty, to take it back.
#[must_use]
pub fn is_picture_name(name: &str) -> bool {
    name.is_empty()
        || name.split_once('.').is_some_and(|(hash, ending)| {
            hash.len() == 64
                && hash
                    .bytes()
                    .all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(&b))
                && ["png", "jpg"].contains(&ending)
        })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stored::stored_as;
    use leverarm_store::EventId;

    #[test]
    fn the_last_word_on_each_thing_holds_and_can_be_taken_back() {
        let said = [
            ShelfWord {
                rating: Some(4),
                place: Some("drawer 2".to_owned()),
                ..ShelfWord::of("main jet = 105").unwrap()
            },
            ShelfWord {
                notes: Some("drilled by hand".to_owned()),
                place: Some(String::new()),
                ..ShelfWord::of("main jet=105").unwrap()
            },
        ];
        let now = Now::new(0, 1);
        let events: Vec<EventRecord> = (1..)
            .zip(&said)
            .map(|(i, word)| stored_as(word.event(now), EventId::new(i)))
            .collect();
        assert_eq!(
            events[0].message,
            "main jet 105 described: rating: 4 of 5; lies: drawer 2"
        );
        let kept = words(&events).unwrap();
        assert_eq!(kept[0].rating, Some(4));
        assert_eq!(kept[1].place.as_deref(), Some(""));
        assert_eq!(kept[1].notes.as_deref(), Some("drilled by hand"));
        assert!(kept[1].rating.is_none());
    }

    #[test]
    fn words_that_cannot_be_are_refused() {
        for name in ["105", "=105", "main jet=", ""] {
            assert_eq!(ShelfWord::of(name), Err(ShelfError::Name(name.to_owned())));
        }
        let jet = ShelfWord::of("main jet=105").unwrap();
        assert!(matches!(jet.check(), Err(ShelfError::Nothing(_))));
        let rated = |rating| ShelfWord {
            rating: Some(rating),
            ..jet.clone()
        };
        assert_eq!(rated(6).check(), Err(ShelfError::Rating(6)));
        assert!(rated(5).check().is_ok() && rated(0).check().is_ok());
        let placed = |place: String| ShelfWord {
            place: Some(place),
            ..jet.clone()
        };
        assert!(placed("d".repeat(PLACE_CHARS_MAX)).check().is_ok());
        let long = placed("d".repeat(PLACE_CHARS_MAX + 1)).check();
        assert!(matches!(
            long,
            Err(ShelfError::TooLong { what: "place", .. })
        ));
        let lines = placed("drawer 2\nleft".to_owned()).check();
        assert_eq!(
            lines,
            Err(ShelfError::Control("place", "one line of text, "))
        );
        let noted = |notes: String| ShelfWord {
            notes: Some(notes),
            ..jet.clone()
        };
        assert!(noted("drilled\nby hand".to_owned()).check().is_ok());
        let long = noted("n".repeat(NOTES_CHARS_MAX + 1)).check();
        assert!(matches!(
            long,
            Err(ShelfError::TooLong { what: "notes", .. })
        ));
        assert_eq!(
            noted("\u{1b}[31m".to_owned()).check(),
            Err(ShelfError::Control("notes", "text "))
        );
        let pictured = ShelfWord {
            picture: Some("../../stand.toml".to_owned()),
            ..jet
        };
        assert!(matches!(pictured.check(), Err(ShelfError::PictureName(_))));
    }

    #[test]
    fn only_pictures_of_a_sensible_size_are_kept() {
        let folder = tempfile::tempdir().unwrap();
        let folder = folder.path();
        let file = folder.join("jet.jpeg");
        std::fs::write(&file, b"no picture").unwrap();
        assert!(matches!(
            keep_picture(folder, &file),
            Err(PictureError::NoPicture(_))
        ));
        let mut picture = vec![0xFF, 0xD8, 0xFF, 0xE0];
        std::fs::write(&file, &picture).unwrap();
        let name = keep_picture(folder, &file).unwrap();
        assert!(is_picture_name(&name) && name.ends_with(".jpg"));
        assert_eq!(
            std::fs::read(folder.join(PICTURES_FOLDER).join(&name)).unwrap(),
            picture
        );
        picture.resize(PICTURE_BYTES_MAX + 1, 0);
        std::fs::write(&file, &picture).unwrap();
        assert!(matches!(
            keep_picture(folder, &file),
            Err(PictureError::TooLarge { .. })
        ));
    }
}
