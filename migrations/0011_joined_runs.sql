-- Batches of one boot that are committed together share a row.
comment on column rv.segment.digest is 
    'BLAKE3-128: of the content of the batch or, once closed, of the run; until then, of the list of batches it was joined from.';
comment on column rv.segment.merged_list is
    'Packed (first_seq, count, digest) of the batches it was joined from; empty for a batch that stands as it came.';
comment on column rv.segment.payload is 'Compressed columns: differences while fresh, pco once closed; layout in store/codec.rs.';
comment on column rv.segment.received_at is 'Arrival of its last batch, or time of the merge.';
