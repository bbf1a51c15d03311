"""One reader per file format. A reader turns text into a `Piece`, and labels into `Key`s, and never mixes the two."""
