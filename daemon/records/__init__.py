"""What the journal's records say to a person, in the same words on paper, page and terminal."""
