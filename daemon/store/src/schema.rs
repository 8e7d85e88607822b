//! The tables, as numbered steps from an empty file; `user_version` tells how many were taken.

use rusqlite::{Connection, TransactionBehavior};

/// Marks the file as a store of this program: "LArm".
pub(super) const APPLICATION_ID: i32 = 0x4C41_726D;

/// Version of the tables that this program writes and reads.
pub const SCHEMA_VERSION: u32 = 4;

/// Each takes the file from the version of its index to the next. A step that was released never
/// changes again; a change to the tables is a further step.
pub(super) const STEPS: [&str; SCHEMA_VERSION as usize] = [
    include_str!("schema/step_1.sql"),
    include_str!("schema/step_2.sql"),
    include_str!("schema/step_3.sql"),
    include_str!("schema/step_4.sql"),
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

#[cfg(test)]
mod tests {
    use super::*;

    fn version(connection: &Connection) -> u32 {
        connection
            .pragma_query_value(None, "user_version", |row| row.get(0))
            .unwrap()
    }

    fn count(connection: &Connection, table: &str) -> Option<i64> {
        connection
            .query_row(&format!("SELECT count(*) FROM {table}"), [], |row| {
                row.get(0)
            })
            .ok()
    }

    #[test]
    fn steps_are_taken_once_and_in_order() {
        let mut connection = Connection::open_in_memory().unwrap();
        let steps = [
            "CREATE TABLE a (x); INSERT INTO a VALUES (1)",
            "INSERT INTO a SELECT x + 1 FROM a",
            "INSERT INTO a SELECT x + 2 FROM a",
        ];
        for taken in [1, 1, 2, 3, 3] {
            migrate(&mut connection, &steps[..taken]).unwrap();
            assert_eq!(version(&connection), u32::try_from(taken).unwrap());
            assert_eq!(count(&connection, "a"), Some(1 << (taken - 1)));
        }
    }

    #[test]
    fn a_step_that_fails_takes_back_all_of_itself_and_nothing_else() {
        let mut connection = Connection::open_in_memory().unwrap();
        let steps = [
            "CREATE TABLE a (x)",
            "CREATE TABLE b (x); INSERT INTO b VALUES (1); oops",
        ];
        migrate(&mut connection, &steps).unwrap_err();
        assert_eq!(version(&connection), 1);
        assert_eq!(count(&connection, "a"), Some(0));
        assert_eq!(count(&connection, "b"), None);

        let cured = [steps[0], "CREATE TABLE b (x)"];
        migrate(&mut connection, &cured).unwrap();
        assert_eq!(
            (version(&connection), count(&connection, "b")),
            (2, Some(0))
        );
    }
}
