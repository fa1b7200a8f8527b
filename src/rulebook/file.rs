//! Rulebook files: TOML read with places, every problem at once.
