"""USB boards: bulk transfers and bench instruments, described by a TOML file."""
