//! Whole stand files in, stands and messages out.

use leverarm_config::parse;

const STAND: &str = include_str!("../stand.example.toml");
const BRAKE: &str = include_str!("../brake.example.toml");

#[test]
fn examples() {
    for (name, text) in [("stand.example.toml", STAND), ("brake.example.toml", BRAKE)] {
        match parse(name, text) {
            Ok(stand) => println!("{stand:#?}"),
            Err(errors) => panic!("{errors}"),
        }
    }
}
