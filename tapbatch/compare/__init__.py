"""Over taps and stages: joining, identity, drift, sustain."""
