"""Steps that turn recordings into tables: calibrate, find landings, measure, collect."""
