-- A connection may last for hours and hold thousands of chunks, each with its bytes in the row:
-- finding a time or a tick among them takes an index that holds all the columns asked for.
CREATE INDEX chunks_by_mono ON chunks (connection_id, mono_us_last, mono_us_first, seq);
CREATE INDEX chunks_by_tick ON chunks (connection_id, tick_first, seq);
CREATE INDEX events_by_pull ON events (pull_id) WHERE pull_id IS NOT NULL;
