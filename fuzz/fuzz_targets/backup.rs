#![no_main]

libfuzzer_sys::fuzz_target!(|input: &[u8]| {
    coldbrake_tests::fuzz::backup::run(input);
});
