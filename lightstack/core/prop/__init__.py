"""Things that fly through a picture, cut out with their shadow."""
