"""Several makers' studies made one in memory: mapping, clashes, units, the pooled study."""
