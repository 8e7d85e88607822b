//! The cut, and who ends it.
