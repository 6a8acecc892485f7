// Package resize plans a FAT volume of another size as pieces of a card.
//
// It makes the smallest change. When a volume shrinks its data area keeps its
// place, the clusters beyond the new end find a free place below it, and only
// what names a moved cluster is made new: table entries, directory entries,
// the entries . and .., the root cluster. When it grows cluster numbers stay,
// the tables become longer, and the data area moves as one, or not at all if
// the tables have room enough.
//
//	Plan                        resize.go: job.plan calls the steps
//	 |  count                   count.go: used and bad clusters; limits: the least that would do
//	 |  pins                    pins.go: what boot code finds by its place
//	 |  choose                  choose.go: the new geometry, within the limits
//	 |  judge                   judge.go, pins.go: refuse, or ask, before anything is planned
//	 |  move                    move.go: a new place for each cluster beyond the end, in
//	 |                          the gaps of gaps.go
//	 |  gather                  gather.go: walk again, for what names a moved cluster
//	 |  gaps                    segments.go: free runs that are copied, to stay under the
//	 |                          greatest number of pieces; report.go tells all
//	 '- boot                    boot.go: boot sectors, their backups, FSInfo
//	Result.Emit                 emit.go: reserved, tables.go with entries.go, root, data;
//	                            called later, so that no table lies in memory as a whole
//
// The standard is Microsoft, "FAT: General Overview of On-Disk Format",
// version 1.03, called FG in the comments. Its formula for the size of a table
// is not used: see fat.TableSectors.
//
// The package is pure: it reads the volume's source and nothing else. Every
// address is relative to the volume, in sectors of the source, unless a
// comment says otherwise.
package resize
