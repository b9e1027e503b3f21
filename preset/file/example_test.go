package file_test

import (
	"fmt"

	"rigkeep/preset/file"
)

func ExampleDoc_Set() {
	d, err := file.Parse("main.toml", []byte("[stiffness] # dials\npan = 41.50 # from the bench\ntilt = 0x2F\n"))
	if err != nil {
		fmt.Println(err)
		return
	}
	d, err = d.Apply(file.Edit{Key: "stiffness.pan", Value: 43}, file.Edit{Key: "follow.walk.deadband", Value: file.Table{{Key: "pan", Value: 6}}})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%s", d.Text())
	// Output:
	// [stiffness] # dials
	// pan = 43.00 # from the bench
	// tilt = 0x2F
	//
	// [follow.walk]
	// deadband = { pan = 6 }
}

func ExampleParse() {
	_, err := file.Parse("main.toml", []byte("[stiffness]\npan = 41\ntilt = 47,5\n"))
	fmt.Println(err)
	// Output:
	// main.toml:3:10: stiffness.tilt: ',' after the end of the value or header; expected the end of the line; write a decimal point, not a comma, or make it a list: [1, 2]
}

func ExampleDoc_Fault() {
	d, err := file.Parse("main.toml", []byte("[limits.tilt]\nup_deg = 245\n"))
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(d.Fault("limits.tilt.up_deg", "245° is out of range", "0 to 90", "correct the limit"))
	// Output:
	// main.toml:2:10: limits.tilt.up_deg: 245° is out of range; expected 0 to 90; correct the limit
}
