//! Measures single parts of handback: `cargo bench --manifest-path benches/parts/Cargo.toml`.
