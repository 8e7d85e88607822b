//! CRC and COBS against values from outside this project.

use leverarm_protocol::crc16;

/// Source: reveng catalogue of parametrised CRC algorithms, CRC-16/IBM-3740, message ASCII
/// 123456789; recomputed with crccheck 1.3.1 and a bitwise implementation, which agree.
#[test]
fn crc_check_value() {
    assert_eq!(crc16(b"123456789"), 0x29B1);
}

/// The COBS library this crate frames with, against the table of examples.
///
/// Source: Wikipedia, "Consistent Overhead Byte Stuffing", table of encoding examples, rows 1 to 6
/// (rows 1 to 4 also at github.com/ThierryHenry1994/cobs-codec), recomputed with the Python package
/// cobs 1.2.2. Rows 7 to 11 from memory of the same table, their bytes from cobs 1.2.2, as is the
/// empty message's.
#[test]
fn cobs_examples() {
    let range = |from: u8, to: u8| (from..=to).collect::<Vec<u8>>();
    let join = |parts: &[&[u8]]| parts.concat();
    let rows = [
        (vec![0x00], vec![0x01, 0x01]),
        (vec![0x00, 0x00], vec![0x01, 0x01, 0x01]),
        (vec![0x00, 0x11, 0x00], vec![0x01, 0x02, 0x11, 0x01]),
        (
            vec![0x11, 0x22, 0x00, 0x33],
            vec![0x03, 0x11, 0x22, 0x02, 0x33],
        ),
        (
            vec![0x11, 0x22, 0x33, 0x44],
            vec![0x05, 0x11, 0x22, 0x33, 0x44],
        ),
        (
            vec![0x11, 0x00, 0x00, 0x00],
            vec![0x02, 0x11, 0x01, 0x01, 0x01],
        ),
        (range(1, 254), join(&[&[0xFF], &range(1, 254)])),
        (range(0, 254), join(&[&[0x01, 0xFF], &range(1, 254)])),
        (
            range(1, 255),
            join(&[&[0xFF], &range(1, 254), &[0x02, 0xFF]]),
        ),
        (
            join(&[&range(2, 255), &[0]]),
            join(&[&[0xFF], &range(2, 255), &[0x01, 0x01]]),
        ),
        (
            join(&[&range(3, 255), &[0, 1]]),
            join(&[&[0xFE], &range(3, 255), &[0x02, 0x01]]),
        ),
        (vec![], vec![0x01]),
    ];
    for (plain, encoded) in rows {
        let mut out = [0; 300];
        let len = cobs::try_encode(&plain, &mut out).unwrap();
        assert_eq!(out[..len], encoded);
        let len = cobs::decode_in_place(&mut out[..len]).unwrap();
        assert_eq!(out[..len], plain);
    }
}
