//! The load of a brake stand: a person's words.

use axum::extract::State as Extract;
use leverarm_live::Command;
use leverarm_vocabulary::load::LoadWord;

use super::State;
use super::api::{Answer, message};
use super::request::Input;

pub(super) async fn load(Extract(web): State, Input(word): Input<LoadWord>) -> Answer {
    Ok(message(web.handle.command(Command::Load(word)).await??))
}
