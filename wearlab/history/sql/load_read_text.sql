-- One row per line of text files read at once, as text c0, c1, ...; its line is told from its order. A part of a statement.
select *
from read_csv(
  $paths, columns = $columns, header = false, skip = 1, auto_detect = false, delim = $delimiter, quote = $quote,
  escape = $quote, store_rejects = true, rejects_limit = 0, rejects_line_size_limit = 100000,
  strict_mode = true, null_padding = false, hive_partitioning = false, encoding = 'utf-8', filename = true)
