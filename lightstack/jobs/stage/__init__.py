"""What is the same for a plate alone and for a whole shot: the hero, results written, graded, described."""
