-- The pseudonym of a text: the first 16 hexadecimal digits of HMAC-SHA-256, from the padded key (RFC 2104, section 2).
create or replace temp macro pseudonym(x, inner_pad, outer_pad) as
  left(sha256(outer_pad::blob || unhex(sha256(inner_pad::blob || encode(x)))), 16)
