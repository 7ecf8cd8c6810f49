//! Reading `panel.toml`, all faults at once.
