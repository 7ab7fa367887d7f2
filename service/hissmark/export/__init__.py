"""What is on record, out in open formats: what is chosen, how it is sampled, and the formats themselves.

Everything is a stream of Arrow record batches, turned into bytes as it comes, so memory stays bounded
however long it is.
"""
