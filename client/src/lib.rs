//! The Coldbrake command line.
