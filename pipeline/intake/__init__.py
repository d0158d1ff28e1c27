"""Check a study before anything is computed: tables, settings, files and privacy, all at once."""
