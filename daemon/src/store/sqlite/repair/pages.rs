//! Pages of readings that no sound page leads to any more: found in the file and read one by one.

use std::collections::BTreeSet;
use std::path::Path;

use rusqlite::Connection;
use rusqlite::types::Value;

use super::walk::{TIMES, columns, put};

/// Widths of summaries and numbers of rows are smaller than this, ms; times of readings are not.
const LEAST_TIME: i64 = 1_000_000_000;

/// Readings that the walk did not reach, because a page between is damaged: each page that may hold
/// readings is made the table's root for a moment, so that SQLite itself reads what is on it. Gives
/// how many were found that way. This spoils the scratch copy.
pub(super) fn page_by_page(scratch: &Path, to: &Connection) -> rusqlite::Result<u64> {
    let Ok(pages) = leaves_of(scratch) else {
        return Ok(0);
    };
    let from = &Connection::open(scratch)?;
    for (pragma, value) in [("locking_mode", "exclusive"), ("journal_mode", "memory")] {
        from.pragma_update_and_check(None, pragma, value, |_| Ok(()))?;
    }
    from.pragma_update(None, "synchronous", "off")?;
    from.pragma_update(None, "writable_schema", true)?;
    // The moment before the first `UPDATE`, the root is still what it was: only its schema is read.
    let names: Vec<String> = columns(from, to, "reading")?
        .into_iter()
        .map(|(name, _)| name)
        .collect();
    let known: BTreeSet<i64> = to
        .prepare("SELECT id FROM series")?
        .query_map([], |row| row.get(0))?
        .collect::<rusqlite::Result<_>>()?;
    let mut found = 0;
    for page in pages {
        from.execute(
            "UPDATE sqlite_schema SET rootpage = ?1 WHERE name = 'reading'",
            [page],
        )?;
        from.execute_batch("PRAGMA writable_schema = RESET; PRAGMA writable_schema = ON")?;
        let Ok(mut query) = from.prepare(&format!("SELECT {} FROM reading", names.join(", ")))
        else {
            continue;
        };
        let Ok(mut rows) = query.query([]) else {
            continue;
        };
        while let Ok(Some(row)) = rows.next() {
            let values: Vec<Value> = (0..names.len())
                .map(|at| row.get(at))
                .collect::<rusqlite::Result<_>>()
                .unwrap_or_default();
            // Other tables' pages look different: no series of ours, no time, or too few columns.
            let ours = matches!(
                values.as_slice(),
                [
                    Value::Integer(series),
                    Value::Integer(time),
                    Value::Real(_) | Value::Integer(_) | Value::Null,
                    Value::Integer(_),
                    Value::Integer(_),
                    place,
                    batch,
                    raw,
                    unit,
                ] if known.contains(series)
                    && time.abs() > LEAST_TIME
                    && TIMES.contains(time)
                    && [place, batch, unit].iter().all(|v| matches!(v, Value::Integer(_) | Value::Null))
                    && matches!(raw, Value::Integer(_) | Value::Real(_) | Value::Null)
            );
            if ours {
                found += put(to, "reading", &names, values)?;
            }
        }
    }
    Ok(found)
}

/// The file's pages that look like those of an index or of a table without row ids, free ones left
/// out. Inner pages of these, which hold rows too, are turned into leaves on the way: their type, a
/// header shorter by the pointer to the last child, and rows without a pointer to a child before
/// them. ("Database File Format", sections 1.5 and 1.6, in SQLite's documentation.)
fn leaves_of(file: &Path) -> std::io::Result<Vec<u32>> {
    use std::os::unix::fs::FileExt as _;
    const INNER: u8 = 2;
    const LEAF: u8 = 10;
    let file = std::fs::File::options().read(true).write(true).open(file)?;
    let mut header = [0_u8; 100];
    file.read_exact_at(&mut header, 0)?;
    let word = |bytes: &[u8], at: usize| {
        bytes
            .get(at..at + 4)
            .and_then(|b| b.try_into().ok())
            .map_or(0, u32::from_be_bytes)
    };
    let size = match u16::from_be_bytes([header[16], header[17]]) {
        1 => 65_536,
        size => u64::from(size).max(512),
    };
    let count = u32::try_from(file.metadata()?.len() / size).unwrap_or(u32::MAX);
    let at = |page: u32| u64::from(page - 1) * size;
    let mut page = vec![0; size as usize];
    let mut free = BTreeSet::new();
    let mut trunk = word(&header, 32);
    while trunk > 1 && trunk <= count && free.insert(trunk) {
        file.read_exact_at(&mut page, at(trunk))?;
        let leaves = (word(&page, 4) as usize).min(page.len() / 4 - 2);
        free.extend((0..leaves).map(|leaf| word(&page, 8 + 4 * leaf)));
        trunk = word(&page, 0);
    }
    let mut found = Vec::new();
    for number in (2..=count).filter(|page| !free.contains(page)) {
        file.read_exact_at(&mut page, at(number))?;
        if page[0] == INNER {
            let cells = usize::from(u16::from_be_bytes([page[3], page[4]]));
            if 12 + 2 * cells > page.len() {
                continue;
            }
            for cell in 0..cells {
                let from = 12 + 2 * cell;
                let offset = u16::from_be_bytes([page[from], page[from + 1]]).saturating_add(4);
                page[from - 4..from - 2].copy_from_slice(&offset.to_be_bytes());
            }
            page[0] = LEAF;
            file.write_all_at(&page, at(number))?;
        }
        if page[0] == LEAF {
            found.push(number);
        }
    }
    Ok(found)
}
