"""Movies and pictures written."""
