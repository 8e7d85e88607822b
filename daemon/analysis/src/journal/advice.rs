//! What to check first, by kind of event.

/// Kinds with what they mean and what to look at first, in plain words. Common practice, no source.
const ADVICE: &[(&str, &str)] = &[
    (
        "missed teeth",
        "The pickup did not see teeth. Gap too wide or a loose pickup first, then dirt or a low tooth, then its plug.",
    ),
    (
        "extra edges",
        "Edges that are no teeth. Ignition noise first: shield the pickup's cable, keep it away from the coil and the plug lead, ground it at one end; then a burr on a tooth.",
    ),
    (
        "irregular teeth",
        "Teeth early or late. A few at the same place of a turn: a bent or unevenly cut wheel. Anywhere: a pickup that shakes, or the chain.",
    ),
    (
        "tooth count lost",
        "The speed jumped and the count began anew. Look at the pickup's gap and cable; a wheel that slips on its shaft does it too.",
    ),
    (
        "captures lost",
        "The board had no time for some teeth. Fewer teeth or a faster board; long cables with many edges of noise do it too.",
    ),
    (
        "frames lost",
        "Data from the board did not arrive. The USB cable and its plugs first, then a hub without its own supply, then a computer too busy.",
    ),
    (
        "frames doubled",
        "The same data came twice. The firmware's version first.",
    ),
    (
        "frames late",
        "Data came out of order. Harmless now and then; often: the firmware's version.",
    ),
    (
        "damaged bytes",
        "Bytes changed on their way. Ignition noise on the serial cable first: shorten it, add a ferrite, route it away from the plug lead; then the ground between engine and board.",
    ),
    (
        "messages not understood",
        "The board says something that this version does not know. Compare the firmware's version with the program's.",
    ),
    (
        "wrong protocol version",
        "Board and program speak different versions. Update the older one.",
    ),
    (
        "board receive errors",
        "The board could not read what the computer sent. The cable towards the board, then the baud rate.",
    ),
    (
        "board restart",
        "The board began anew in the midst. Its supply first (a starter motor pulls it down), then the USB cable, then noise that trips its watchdog.",
    ),
    (
        "board silent",
        "No status from the board. Is it powered, is its cable in, does its light blink?",
    ),
    (
        "board late",
        "What the board sends comes late, and guards see it late. A network bridge or hub between board and computer first, then a computer too busy; a board whose clock is off by more than 1 % looks the same.",
    ),
    (
        "still driven",
        "The engine runs on after the cut: use the emergency stop, and shut the fuel. Then the relay's contacts (welded?), the kill wire and its ground, a plug that glows. Do not run before a cut stops the engine at idle.",
    ),
    (
        "no board",
        "Nothing that speaks on this port. Its number in the stand file, power, cable, baud rate.",
    ),
    (
        "port lost",
        "The port vanished. The USB plug first, then the hub, then the board's supply.",
    ),
    (
        "input missing",
        "The stand file names an input that the board does not have. The number in the file, then the board's wiring and firmware.",
    ),
    (
        "limits refused",
        "The board does not hold the limits of the stand file and guards by its own alone. Firmware version, number of temperature limits. Do not run until it is seen to.",
    ),
    (
        "guard tripped",
        "A limit of the stand file was passed. Look at the value itself before the sensor: it may be true.",
    ),
    (
        "noise spike",
        "Single samples far off. Ignition noise first: shield and route the sensor's cable; then a loose contact.",
    ),
    (
        "release refused",
        "The board still sees a reason to cut: its own limits, or a heartbeat that does not come. Look at the events before this one.",
    ),
    (
        "sensor stuck",
        "The value does not move at all, not even by its own noise. A cable off, a converter that hangs, a sensor at its end stop.",
    ),
    (
        "sensor clipped",
        "The value is at the end of what its input can show. A short or open circuit first, then a gain or range that is too small.",
    ),
    (
        "open thermocouple",
        "The board reports an open circuit. The plug and its screws first, then the tip.",
    ),
    (
        "zero drift",
        "Without load the load cell no longer shows its zero. Something that leans on the arm first, then the temperature of the cell; tare, and look again cold and warm.",
    ),
    (
        "heartbeat late",
        "The computer was late to tell the board that all is well; the board cuts when it is later still. What else runs on this computer? Power saving off, no browser with many tabs on it.",
    ),
    (
        "clock jump",
        "The computer's clock was set. Times before and after do not fit together; speeds and curves are not touched. Let it get its time before a session.",
    ),
    (
        "store slow",
        "The disk takes long. A worn memory card first, then a disk that is nearly full or shared.",
    ),
    (
        "store",
        "The store did not keep up, and heartbeats stopped. Room on the disk first, then its speed.",
    ),
    (
        "store vanished",
        "A file of the store was moved, deleted or replaced while the daemon wrote to it. Who or what did that? The message says where everything is.",
    ),
    (
        "queue overflow",
        "More came than the store could take, and some of it is lost. Room on the disk and its speed.",
    ),
    (
        "stream waiting",
        "The time-series server takes no points. They wait in the store. Is the server up, is the network, is the token right?",
    ),
    (
        "stream set aside",
        "The time-series server refuses single points. What it says is with the event. They can be sent again with `leverarm stream --since`.",
    ),
];

/// What to check first after an event of this kind.
#[must_use]
pub fn advice(kind: &str) -> Option<&'static str> {
    if kind.starts_with("cut") {
        return Some(
            "The engine was cut. Find the cause before releasing: this event or the one before it names it, and the warnings before that show what led to it.",
        );
    }
    ADVICE
        .iter()
        .find(|(known, _)| *known == kind)
        .map(|(_, text)| *text)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_kind_has_one_advice() {
        let mut kinds: Vec<&str> = ADVICE.iter().map(|(kind, _)| *kind).collect();
        kinds.sort_unstable();
        let all = kinds.len();
        kinds.dedup();
        assert_eq!(kinds.len(), all);
        assert!(advice("cut requested").is_some());
        assert_eq!(advice("board"), None);
    }
}
