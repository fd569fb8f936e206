-- Packets share rows, sixty-four identifiers to one: the digest of each, eight bytes, most significant
-- first; zero: none. A commit then writes a few rows where it wrote one for each message.
ALTER TABLE packet RENAME TO packet_single;
CREATE TABLE packet (
    session TEXT NOT NULL,
    -- Of identifiers 64 * row to 64 * row + 63.
    row INTEGER NOT NULL,
    digests BLOB NOT NULL,
    -- When the last of them was seen.
    seen INTEGER NOT NULL,
    PRIMARY KEY (session, row)
) WITHOUT ROWID;
WITH RECURSIVE
    place (n) AS (SELECT 0 UNION ALL SELECT n + 1 FROM place WHERE n < 63),
    rows (session, row, seen) AS (
        SELECT session, id / 64, max(seen) FROM packet_single GROUP BY session, id / 64
    )
INSERT INTO packet (session, row, digests, seen)
SELECT rows.session, rows.row,
    unhex(group_concat(printf('%016x', coalesce(single.digest, 0)), '' ORDER BY place.n)),
    rows.seen
FROM rows CROSS JOIN place
LEFT JOIN packet_single AS single
    ON single.session = rows.session AND single.id = 64 * rows.row + place.n
GROUP BY rows.session, rows.row;
DROP TABLE packet_single;
