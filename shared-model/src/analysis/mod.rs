//! Run analysis: from a trace to phases, data quality and metrics.
