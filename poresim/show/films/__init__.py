"""Films of records: what each frame shows, and the files they are kept in."""
