package kept

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"reflect"
	"unsafe"
)

// Findings are kept as their types are laid out in this build, which alone will read
// them: field by field, those that are not exported too. So whatever is added to a
// diagnosis is kept with it.

// errLossless is for a value that cannot be kept, and for bytes that are not what
// was.
var errLossless = errors.New("it cannot be kept")

// deepest keeps a value that holds itself from going on for ever.
const deepest = 40

// appendValue appends a value of numbers, texts, structs, slices, arrays and pointers.
func appendValue(b []byte, v reflect.Value, depth int) ([]byte, error) {
	if depth > deepest {
		return b, errLossless
	}
	var err error
	switch v.Kind() {
	case reflect.Bool:
		if v.Bool() {
			return append(b, 1), nil
		}
		return append(b, 0), nil
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		return binary.AppendVarint(b, v.Int()), nil
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		return binary.AppendUvarint(b, v.Uint()), nil
	case reflect.Float64:
		return binary.LittleEndian.AppendUint64(b, math.Float64bits(v.Float())), nil
	case reflect.String:
		return append(binary.AppendUvarint(b, uint64(v.Len())), v.String()...), nil
	case reflect.Pointer:
		if v.IsNil() {
			return append(b, 0), nil
		}
		return appendValue(append(b, 1), v.Elem(), depth+1)
	case reflect.Struct:
		for i := range v.NumField() {
			if b, err = appendValue(b, v.Field(i), depth+1); err != nil {
				return b, err
			}
		}
		return b, nil
	case reflect.Slice, reflect.Array:
		if v.Kind() == reflect.Slice {
			if v.IsNil() {
				return append(b, 0), nil
			}
			b = binary.AppendUvarint(b, uint64(v.Len())+1)
		}
		for i := range v.Len() {
			if b, err = appendValue(b, v.Index(i), depth+1); err != nil {
				return b, err
			}
		}
		return b, nil
	}
	return b, fmt.Errorf("%w: %s", errLossless, v.Type())
}

// takeValue fills v, which can be set, with what appendValue wrote of one of its type,
// and returns the rest.
func takeValue(b []byte, v reflect.Value) ([]byte, error) {
	var err error
	switch v.Kind() {
	case reflect.Bool:
		var n uint64
		n, b, err = takeUvarint(b)
		v.SetBool(n == 1)
		return b, err
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		n, size := binary.Varint(b)
		if size <= 0 {
			return nil, errLossless
		}
		v.SetInt(n)
		return b[size:], nil
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		var n uint64
		n, b, err = takeUvarint(b)
		v.SetUint(n)
		return b, err
	case reflect.Float64:
		if len(b) < 8 {
			return nil, errLossless
		}
		v.SetFloat(math.Float64frombits(binary.LittleEndian.Uint64(b)))
		return b[8:], nil
	case reflect.String:
		n, b, err := takeUvarint(b)
		if err != nil || n > uint64(len(b)) {
			return nil, errLossless
		}
		v.SetString(string(b[:n]))
		return b[n:], nil
	case reflect.Pointer:
		n, b, err := takeUvarint(b)
		if err != nil || n == 0 {
			return b, err
		}
		v.Set(reflect.New(v.Type().Elem()))
		return takeValue(b, v.Elem())
	case reflect.Struct:
		for i := range v.NumField() {
			f := v.Field(i)
			// One that is not exported can be set by its address only.
			f = reflect.NewAt(f.Type(), unsafe.Pointer(f.UnsafeAddr())).Elem()
			if b, err = takeValue(b, f); err != nil {
				return nil, err
			}
		}
		return b, nil
	case reflect.Slice, reflect.Array:
		if v.Kind() == reflect.Slice {
			n, rest, err := takeUvarint(b)
			if err != nil || n == 0 {
				return rest, err
			}
			if b = rest; n-1 > uint64(len(b)) {
				return nil, errLossless
			}
			v.Set(reflect.MakeSlice(v.Type(), int(n-1), int(n-1)))
		}
		for i := range v.Len() {
			if b, err = takeValue(b, v.Index(i)); err != nil {
				return nil, err
			}
		}
		return b, nil
	}
	return nil, errLossless
}

func takeUvarint(b []byte) (uint64, []byte, error) {
	n, size := binary.Uvarint(b)
	if size <= 0 {
		return 0, nil, errLossless
	}
	return n, b[size:], nil
}

// lossless returns the bytes of what p points to.
func lossless(p any) ([]byte, error) { return appendValue(nil, reflect.ValueOf(p).Elem(), 0) }

// restore fills what p points to with the bytes of a value of its type.
func restore(b []byte, p any) error {
	rest, err := takeValue(b, reflect.ValueOf(p).Elem())
	if err == nil && len(rest) > 0 {
		err = errLossless
	}
	return err
}
