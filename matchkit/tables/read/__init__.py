"""Reading csv and xlsx: cells by the schema, all problems of a sheet at once."""
