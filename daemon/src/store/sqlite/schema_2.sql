-- When a packet was last seen, so that those nobody will deliver again can go. What is there
-- already counts as seen when the newest reading was true.
ALTER TABLE packet ADD COLUMN seen INTEGER NOT NULL DEFAULT 0;
UPDATE packet SET seen = coalesce(
    (SELECT max(newest) FROM
        (SELECT (SELECT max(time) FROM reading WHERE series = series.id) AS newest FROM series)),
    0);
