//! What tests that fill a store share.

use std::path::Path;

use leverarm::service::{Belongs, Kept, RecordKeeper};
use leverarm_live::Record;
use leverarm_store::Store;

/// What the recorder does, without its thread.
pub(crate) struct Recorder {
    pub(crate) store: Store,
    keeper: RecordKeeper,
}

impl Recorder {
    pub(crate) fn new(folder: &Path, stand: &str) -> Self {
        let mut store = Store::open(folder).unwrap();
        let stand = store.put_stand(stand).unwrap();
        let calibration = store.put_calibration("{}").unwrap();
        Self {
            store,
            keeper: RecordKeeper::new(Belongs::new(stand, calibration)),
        }
    }

    pub(crate) fn put(&mut self, record: &Record) {
        let kept = self.keeper.keep(&mut self.store, record).unwrap();
        assert_ne!(kept, Kept::Unplaced, "{record:?}");
        if let Record::Event(event) = record {
            self.store
                .add_event(&self.keeper.event(event.clone()))
                .unwrap();
        }
    }
}
