//! Who can keep a person from cutting: connections, the page, a stop that hangs.
