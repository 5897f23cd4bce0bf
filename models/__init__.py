"""Physics and statistics of boost control: arrays in, arrays out."""
