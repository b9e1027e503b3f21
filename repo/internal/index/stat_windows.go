package index

import "syscall"

func creation(sys any) (ns int64, ok bool) {
	if s, is := sys.(*syscall.Win32FileAttributeData); is {
		return s.CreationTime.Nanoseconds(), true
	}
	return 0, false
}
