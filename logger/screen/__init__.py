"""The terminal: a pure picture of the run (`view`), plain lines (`plain`), the live loop (`live`)."""
