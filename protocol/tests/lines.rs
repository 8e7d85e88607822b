//! Lines whose numbers do not fit, and a host that finds out what its board speaks.

#![expect(clippy::unwrap_used, reason = "a test may stop")]

use leverarm_protocol::{
    BoardMessage, Decoder, Form, Frame, HostMessage, HostWriter, LineDecoder, LineWriter,
    LinkFault, ParseError, crc16,
};

/// A line of this text, with its checksum.
fn line(text: &str) -> Vec<u8> {
    format!("{text}*{:04X}\n", crc16(text.as_bytes())).into_bytes()
}

/// What a board's line of this text is read as.
fn read(text: &str) -> Result<String, LinkFault> {
    let mut results = Vec::new();
    LineDecoder::from_board().feed(&line(text), &mut |result| {
        let frame = result.unwrap();
        results.push(BoardMessage::parse(&frame).map(|message| format!("{message:?}")));
    });
    assert_eq!(results.len(), 1, "{text}");
    results.remove(0).map_err(LinkFault::from)
}

#[test]
fn numbers_that_do_not_fit_make_a_line_unreadable() {
    assert!(read("force 1 2 0 2147483647").is_ok());
    assert!(read("force 1 2 255 -2147483648").is_ok());
    assert!(read("teeth 1 2 0 4294967295 0 65535").is_ok());
    assert!(read("hello 1 2 18446744073709551615 0 1 0 0 1000000").is_ok());
    for text in [
        "force 1 2 0 2147483648",
        "force 1 2 256 0",
        "force 1 2 -1 0",
        "force 1 2 0 1.5",
        "force 1 2 0 0x10",
        "force 1 2 0",
        "force 1 2",
        "status 1 2 0 0 0 0 0 0 0 0 5",
        "status 1 2 0 0 0 0 0 0 0 0 5 1 6",
    ] {
        assert!(
            matches!(
                read(text),
                Err(LinkFault::BadMessage(ParseError::TooShort { .. }))
            ),
            "{text}: {:?}",
            read(text)
        );
    }
    for text in [
        "teeth 1 2 0 0 65536",
        "teeth 1 2 0 0 7 x 8",
        "analog 1 2 0 32768",
    ] {
        assert!(
            matches!(
                read(text),
                Err(LinkFault::BadMessage(ParseError::PartialItem { .. }))
            ),
            "{text}: {:?}",
            read(text)
        );
    }
    let five = "status 1 2 0 0 0 0 0 0 0 0 1 1 2 2 3 3 4 4 5 5";
    let fault = read(five).unwrap_err();
    assert!(matches!(
        fault,
        LinkFault::BadMessage(ParseError::BadField { field: "n", .. })
    ));
    let unknown = LinkFault::BadMessage(ParseError::UnknownKind { kind: 0 });
    for text in [
        "",
        "force",
        "force x y",
        "force 65536 0 0 0",
        "heartbeat 1 2",
        "FORCE 1 2 0 0",
    ] {
        assert_eq!(read(text), Err(unknown), "{text:?}");
    }
}

#[test]
fn the_longest_line_is_254_characters() {
    let text = format!("teeth 1 2 0 0{}", " 7".repeat(118));
    assert_eq!(line(&text).len(), 255);
    assert!(read(&text).is_ok());
    let mut faults = Vec::new();
    let longer = line(&text.replace("teeth 1 ", "teeth 10 "));
    LineDecoder::from_board().feed(&longer, &mut |result| faults.push(result.unwrap_err()));
    assert_eq!(faults, [LinkFault::TooLong]);
}

#[test]
fn a_line_too_long_for_its_message_is_not_written() {
    let deltas = [[0xFF; 2]; 60];
    let teeth = BoardMessage::Teeth(leverarm_protocol::Teeth {
        pickup: 0,
        first_tooth: 0,
        deltas: &deltas,
    });
    let mut writer = LineWriter::new();
    assert!(writer.write(0, &teeth).is_err());
    assert_eq!(writer.next_seq(), 0, "its number is not used up");
    assert_eq!(
        writer.write(9, &HostMessage::Identify).unwrap(),
        line("identify 0 9").to_ascii_lowercase()
    );
}

/// Section 12, "Which form": a board that knows one form only understands every message, whichever
/// way the host finds out.
#[test]
fn a_board_of_either_form_understands_a_host_that_finds_out() {
    let messages = |form: Form| {
        let mut host = HostWriter::new();
        let mut bytes = Vec::new();
        let said = [
            (Some(Form::Frames), HostMessage::Identify),
            (None, HostMessage::Identify),
            (None, HostMessage::Cut { reason: 1 }),
            (Some(form), HostMessage::Heartbeat),
            (Some(form), HostMessage::Release { cut_id: 4 }),
        ];
        for (known, message) in &said {
            let mut sink = |piece: &[u8]| bytes.extend_from_slice(piece);
            host.write(*known, 7, message, &mut sink).unwrap();
        }
        bytes
    };
    let mut results = Vec::new();
    let mut take = |result: Result<Frame<'_>, LinkFault>| {
        results.push(result.map(|frame| (frame.seq, HostMessage::parse(&frame).unwrap())));
    };
    Decoder::new().feed(&messages(Form::Frames), &mut take);
    LineDecoder::from_host().feed(&messages(Form::Lines), &mut take);
    let found: Vec<(u16, HostMessage)> = results.iter().flatten().cloned().collect();
    let expected = [
        (0, HostMessage::Identify),
        (1, HostMessage::Identify),
        (2, HostMessage::Cut { reason: 1 }),
        (3, HostMessage::Heartbeat),
        (4, HostMessage::Release { cut_id: 4 }),
        // Its first was in frames only.
        (0, HostMessage::Identify),
        (1, HostMessage::Cut { reason: 1 }),
        (2, HostMessage::Heartbeat),
        (3, HostMessage::Release { cut_id: 4 }),
    ];
    assert_eq!(found, expected);
    // The two lines, and what stands before each line feed.
    assert_eq!(results.len() - found.len(), 2 + 2);
}
