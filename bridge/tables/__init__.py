"""What judging looks things up in: mapping files in, compiled tables out. Pure."""
