package stats

// selectUpTo bounds the list in which the middle is selected: on unlucky data that takes as many comparisons as the square of the length.
const selectUpTo = 200

// middle is the median as median has it, in less time for a short list. It reorders the list.
func middle(list []float64) float64 {
	if len(list) > selectUpTo {
		return median(list)
	}
	n := len(list)
	high := kth(list, n/2)
	if n%2 == 1 {
		return high
	}
	low := list[0]
	for _, v := range list[1 : n/2] {
		if v > low {
			low = v
		}
	}
	return float64(low/2) + float64(high/2)
}

// kth brings the value that stands at k in the sorted list there, with nothing greater before it (Hoare, Commun ACM 1961;4:321; from memory).
func kth(list []float64, k int) float64 {
	low, high := 0, len(list)-1
	for high-low > 8 {
		pivot := middleOfThree(list[low], list[(low+high)/2], list[high])
		i, j := low, high
		for i <= j {
			for list[i] < pivot {
				i++
			}
			for list[j] > pivot {
				j--
			}
			if i <= j {
				list[i], list[j] = list[j], list[i]
				i, j = i+1, j-1
			}
		}
		switch {
		case k <= j:
			high = j
		case k >= i:
			low = i
		default:
			return list[k]
		}
	}
	insertionSort(list[low : high+1])
	return list[k]
}

func middleOfThree(a, b, c float64) float64 { return max(min(a, b), min(max(a, b), c)) }
