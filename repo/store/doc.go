// Package store is the git-backed store of a library of tunes: it saves, reads back, lists,
// resolves and compares revisions, and it alone knows that git is below. Callers see slash
// paths, bytes and revision ids.
//
// # Promises
//
//   - A Save that returned without error survives kill −9 and loss of power: objects and their
//     folders are synced before the index, the index before the ref, and every file is written
//     beside, synced and renamed.
//   - Two writers never lose a save: one advisory lock of the operating system spans reading and
//     committing, git's own index.lock and ref locks are held as git holds them, and the ref
//     moves only from the value that was read. Plain git may work in the same folder.
//   - Readers take no lock and never wait.
//   - An edit made by hand is shown by Status and is never overwritten or swept into a save.
//   - Plain git agrees with all that is written: fsck --strict and status are clean.
//
// # What was tried, and held
//
// The long forms (RIGKEEP_STORM) on 2026-11-29 and 30, one at a time on a machine with other work; no
// acknowledged save was lost, and plain git agreed after each.
//
//	a failed system call, a full disk, or a kill at each step: 2,472 at 618      TestFaults
//	kill −9 in saves: 400, 260 of them in mid-save, 253 saves acknowledged       TestKillStorm
//	kill −9 in commands: 400, 30 with something in hand, 170 revisions           cmd: TestKilledCommands
//	kill −9 in writing to a unit: 8 named moments, 60 that chance picks          cmd: TestLinkKilled
//	a failed system call, then kill −9 in what handles it: 1,763 pairs           TestFaultThenKill
//	loss of power at every write of 14 operations; kill −9 in every repair       TestPowerLoss, TestRepairKilled
//	INT, TERM and HUP in saves: 300 signals, git commit went on after each       cmd: TestSignalledCommands
//	memory refused: 81 runs, 71 of them died of it                               cmd: TestMemoryRefused
//	8 processes, 800 saves; 4 programs, 160 saves; 1,800 saves beside packing    TestManyWriters, cmd: TestProcessesSaveAtOnce, TestJoinBeside
//	240 saves beside 10 commits and repacking by hand                            TestPlainGitBeside
//	kill −9 in a sync or a first copy: 600, 577 of them half-way                 library: TestSyncKilled
//	ten clones, 8 seeds: 3,452 saves, 1,580 merges, 424 moves, 67 conflicts      library: TestTenClones
//	two Unix users of one group, in turn, plain git between                      cmd: TestTwoUsers, TestTwoUsersOneLibrary
//
// A process that dies half-way leaves a note of what it was doing; the next Open finishes or
// clears it and says so in Lib.Recovered.
//
// Errors are *Error values of one of the classes ErrNotFound, ErrBusy, …; ExitClass maps them
// to the program's exit status.
package store
