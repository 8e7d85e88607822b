//! What is watched besides teeth: relay, link, lost channels, limits that go with a speed.
