"""Old sheets into the record: grids, tables in them, values, the mapping, the journey."""
