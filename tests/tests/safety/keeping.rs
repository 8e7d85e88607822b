//! A store that vanishes, secrets, files, floods of events.
