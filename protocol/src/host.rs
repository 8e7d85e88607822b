//! Writing to a board whose form may not be known yet.

use crate::frame::{EncodeError, FrameWriter};
use crate::line::LineWriter;
use crate::message::HostMessage;
use crate::reader::Form;

/// Numbers and writes the messages of a host, in the form of its board.
///
/// ```
/// use leverarm_protocol::{Form, HostMessage, HostWriter};
///
/// let mut host = HostWriter::new();
/// let mut line = Vec::new();
/// host.write(Some(Form::Lines), 20, &HostMessage::Heartbeat, &mut |bytes| line.extend(bytes))?;
/// assert!(line.starts_with(b"heartbeat 0 20*"));
/// # Ok::<(), leverarm_protocol::EncodeError>(())
/// ```
#[derive(Clone, Debug, Default)]
pub struct HostWriter {
    frames: FrameWriter,
    lines: LineWriter,
    /// Form of what went out last: to a board that speaks the other one it is the beginning of
    /// something that has no end yet.
    last: Option<Form>,
}

impl HostWriter {
    /// A host whose first message has number 0.
    #[must_use]
    pub const fn new() -> Self {
        Self {
            frames: FrameWriter::new(),
            lines: LineWriter::new(),
            last: None,
        }
    }

    /// Gives the bytes of a message to `sink`, piece by piece. With no form it goes out in both, as
    /// the specification's section 12 has it: the board understands one of them and sees one that
    /// is damaged.
    ///
    /// # Errors
    /// None in practice: every host message fits.
    pub fn write(
        &mut self,
        form: Option<Form>,
        host_ms: u32,
        message: &HostMessage,
        sink: &mut impl FnMut(&[u8]),
    ) -> Result<(), EncodeError> {
        if form != Some(Form::Lines) {
            if form.is_none() || self.last == Some(Form::Lines) {
                sink(&[0]);
            }
            sink(self.frames.write(host_ms, message)?);
            self.last = Some(Form::Frames);
        }
        if form != Some(Form::Frames) {
            if self.last == Some(Form::Frames) {
                sink(b"\n");
            }
            sink(self.lines.write(host_ms, message)?);
            self.last = Some(Form::Lines);
        }
        Ok(())
    }
}
