"""The shipped rule book: one TOML file per rule, settings.toml, and the format in README.md."""
