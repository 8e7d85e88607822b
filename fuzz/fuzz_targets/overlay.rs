#![no_main]

libfuzzer_sys::fuzz_target!(|input: &[u8]| leverarm_tests::fuzz::overlay(input));
