"""The mix over time: points, envelopes, modulators, followers."""
