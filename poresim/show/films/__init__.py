"""Films of records: what each frame shows (scenes on a stage), and the files they are kept in."""
