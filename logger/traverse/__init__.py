"""The traverse file: ``riselog.traverse/1`` read, checked and written whole."""
