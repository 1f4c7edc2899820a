//! The emulated laptop: a thermal model with faults that turns a load into sensor readings.
