//! The tables, as numbered steps from an empty file; `user_version` tells how many were taken.

use rusqlite::{Connection, TransactionBehavior};

/// Marks the file as a store of this program: "LArm".
pub(super) const APPLICATION_ID: i32 = 0x4C41_726D;

/// Version of the tables that this program writes and reads.
pub const SCHEMA_VERSION: u32 = 2;

/// Each takes the file from the version of its index to the next. A step that was released never
/// changes again; a change to the tables is a further step.
pub(super) const STEPS: [&str; SCHEMA_VERSION as usize] = [
    include_str!("schema/step_1.sql"),
    include_str!("schema/step_2.sql"),
];

/// Takes the steps that are still to be taken, each in one transaction together with its number.
pub(super) fn migrate(connection: &mut Connection, steps: &[&str]) -> rusqlite::Result<()> {
    let taken: u32 = connection.pragma_query_value(None, "user_version", |row| row.get(0))?;
    for (version, step) in (1u32..).zip(steps) {
        if version <= taken {
            continue;
        }
        let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
        transaction.execute_batch(step)?;
        transaction.pragma_update(None, "application_id", APPLICATION_ID)?;
        transaction.pragma_update(None, "user_version", version)?;
        transaction.commit()?;
    }
    Ok(())
}
