/* What this machine carries over TCP with nothing but the calls themselves: the limit that a rate run is
 * held against (tests/bench/rate_ceiling.py compiles and runs it).
 *
 *   tcp_ceiling receive PORT FLOWS SECONDS    prints bytes per 100 ms from the first byte on, a number a line
 *   tcp_ceiling send ADDRESS PORT FLOWS SECONDS
 *
 * One thread a flow; senders push 256 KiB a call, receivers count and discard (MSG_TRUNC), 256 KiB a call.
 */
#define _GNU_SOURCE
#include <arpa/inet.h>
#include <errno.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

enum { BLOCK = 256 * 1024, BINS = 100000 };
static const char CONGESTION[] = "cubic"; /* as linebook asks for */

static double seconds;
static struct timespec origin;
static pthread_once_t begun = PTHREAD_ONCE_INIT;
static unsigned long long *counts; /* a row of bins a flow */
static int bins;

static void begin(void) { clock_gettime(CLOCK_MONOTONIC, &origin); }

static double since_origin(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (now.tv_sec - origin.tv_sec) + (now.tv_nsec - origin.tv_nsec) / 1e9;
}

static void fail(const char *what)
{
    perror(what);
    exit(1);
}

struct flow {
    int fd;
    int number;
};

static void *receive(void *given)
{
    struct flow *flow = given;
    char *buffer = malloc(BLOCK);
    unsigned long long *row = counts + (size_t)flow->number * bins;
    for (;;) {
        ssize_t count = recv(flow->fd, buffer, BLOCK, MSG_TRUNC);
        if (count <= 0)
            break;
        pthread_once(&begun, begin);
        double at = since_origin();
        if (at >= seconds)
            break;
        int bin = (int)(at * 10);
        if (bin < bins)
            row[bin] += (unsigned long long)count;
    }
    close(flow->fd);
    return NULL;
}

static void *push(void *given)
{
    struct flow *flow = given;
    char *buffer = malloc(BLOCK);
    FILE *random = fopen("/dev/urandom", "r");
    if (!random || fread(buffer, 1, BLOCK, random) != BLOCK)
        fail("urandom");
    fclose(random);
    while (send(flow->fd, buffer, BLOCK, MSG_NOSIGNAL) > 0)
        ;
    close(flow->fd);
    return NULL;
}

int main(int argc, char **argv)
{
    int receiving = argc == 5 && !strcmp(argv[1], "receive");
    if (!receiving && !(argc == 6 && !strcmp(argv[1], "send"))) {
        fprintf(stderr, "usage: tcp_ceiling receive PORT FLOWS SECONDS | send ADDRESS PORT FLOWS SECONDS\n");
        return 2;
    }
    char **rest = argv + (receiving ? 2 : 3);
    struct sockaddr_in where = {.sin_family = AF_INET, .sin_port = htons(atoi(rest[0]))};
    int flows = atoi(rest[1]);
    seconds = atof(rest[2]);
    bins = (int)(seconds * 10);
    if (flows < 1 || flows > 64 || bins < 1 || bins > BINS)
        return 2;
    counts = calloc((size_t)flows * bins, sizeof *counts);
    struct flow made[64];
    pthread_t threads[64];
    int door = -1, one = 1;
    if (receiving) {
        door = socket(AF_INET, SOCK_STREAM, 0);
        setsockopt(door, SOL_SOCKET, SO_REUSEADDR, &one, sizeof one);
        if (bind(door, (struct sockaddr *)&where, sizeof where) || listen(door, 64))
            fail("listen");
    } else if (inet_pton(AF_INET, argv[2], &where.sin_addr) != 1)
        return 2;
    for (int nth = 0; nth < flows; nth++) {
        int fd;
        if (receiving)
            fd = accept(door, NULL, NULL);
        else {
            fd = socket(AF_INET, SOCK_STREAM, 0);
            setsockopt(fd, IPPROTO_TCP, TCP_CONGESTION, CONGESTION, sizeof CONGESTION - 1);
            for (int tries = 0; connect(fd, (struct sockaddr *)&where, sizeof where); tries++) {
                if (errno != ECONNREFUSED || tries > 200)
                    fail("connect");
                usleep(20000);
            }
        }
        if (fd < 0)
            fail("socket");
        made[nth] = (struct flow){fd, nth};
    }
    for (int nth = 0; nth < flows; nth++)
        pthread_create(&threads[nth], NULL, receiving ? receive : push, &made[nth]);
    for (int nth = 0; nth < flows; nth++)
        pthread_join(threads[nth], NULL);
    if (receiving)
        for (int bin = 0; bin < bins; bin++) {
            unsigned long long sum = 0;
            for (int nth = 0; nth < flows; nth++)
                sum += counts[(size_t)nth * bins + bin];
            printf("%llu\n", sum);
        }
    return 0;
}
