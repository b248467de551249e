"""The whole shot, stage by stage."""
