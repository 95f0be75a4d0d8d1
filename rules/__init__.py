"""Pure measuring and judging: arrays and values in, values out."""
