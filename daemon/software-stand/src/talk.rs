//! The form in which a board speaks and hears.

use leverarm_protocol::{
    BoardMessage, Decoder, EncodeError, Form, Frame, FrameWriter, LineDecoder, LineWriter,
    LinkFault, TEETH_PER_FRAME_MAX,
};

/// Teeth that a line holds whatever their ticks: 5 digits and a space each, and what is before them.
const TEETH_PER_LINE_MAX: usize = 34;

#[derive(Clone, Debug)]
pub(super) enum Talk {
    Frames(Box<(FrameWriter, Decoder)>),
    Lines(Box<(LineWriter, LineDecoder)>),
}

impl Talk {
    pub(super) fn new(form: Form) -> Self {
        match form {
            Form::Frames => Self::Frames(Box::new((FrameWriter::new(), Decoder::new()))),
            Form::Lines => Self::Lines(Box::new((LineWriter::new(), LineDecoder::from_host()))),
        }
    }

    pub(super) fn next_seq(&self) -> u16 {
        match self {
            Self::Frames(it) => it.0.next_seq(),
            Self::Lines(it) => it.0.next_seq(),
        }
    }

    /// What ends any noise that came before.
    pub(super) fn end(&self) -> &'static [u8] {
        match self {
            Self::Frames(_) => &[0],
            Self::Lines(_) => b"\n",
        }
    }

    pub(super) fn teeth_max(&self) -> usize {
        match self {
            Self::Frames(_) => TEETH_PER_FRAME_MAX,
            Self::Lines(_) => TEETH_PER_LINE_MAX,
        }
    }

    pub(super) fn write(
        &mut self,
        tick: u32,
        message: &BoardMessage<'_>,
    ) -> Result<&[u8], EncodeError> {
        match self {
            Self::Frames(it) => it.0.write(tick, message),
            Self::Lines(it) => it.0.write(tick, message),
        }
    }

    pub(super) fn feed(
        &mut self,
        bytes: &[u8],
        sink: &mut impl FnMut(Result<Frame<'_>, LinkFault>),
    ) {
        match self {
            Self::Frames(it) => it.1.feed(bytes, sink),
            Self::Lines(it) => it.1.feed(bytes, sink),
        }
    }
}
