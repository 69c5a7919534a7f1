/* The read loop of the C capture library: packets and octets of a file, nothing else. Only for comparison. */
#include <pcap/pcap.h>
#include <stdio.h>

int main(int argc, char **argv) {
    char error[PCAP_ERRBUF_SIZE];
    pcap_t *capture = argc > 1 ? pcap_open_offline(argv[1], error) : NULL;
    if (capture == NULL) {
        fprintf(stderr, "floor: %s\n", argc > 1 ? error : "name a capture");
        return 2;
    }
    struct pcap_pkthdr *header;
    const unsigned char *octets;
    unsigned long long packets = 0, length = 0;
    while (pcap_next_ex(capture, &header, &octets) == 1) {
        packets++;
        length += header->caplen;
    }
    printf("%llu %llu\n", packets, length);
    pcap_close(capture);
    return 0;
}
