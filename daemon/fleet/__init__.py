"""Many simulated stations that publish as real ones do, to try a broker and a database with."""
